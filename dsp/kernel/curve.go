package kernel

// A Curve is the static curve of a dynamics processor: the gain in dB that
// belongs to a steady level in dB. It is the quadratic soft knee of Giannoulis,
// Massberg and Reiss, "Digital Dynamic Range Compressor Design", JAES 60(6),
// 2012, equation 4, written as a gain. With d the distance beyond the
// threshold and W the width of the knee,
//
//	gain = -slope · 0                  2d < -W
//	gain = -slope · (d + W/2)² / (2W)  within the knee
//	gain = -slope · d                  2d > W
//
// held to the range. The zero Curve has gain 0 everywhere.
type Curve struct {
	thresholdDB  float64
	side         float64 // +1 acts above the threshold, -1 below
	halfKneeDB   float64
	perTwoKnees  float64 // 1/(2W); 0 for a hard knee
	slope        float64 // dB of gain per dB beyond the threshold
	lowestGainDB float64
}

// Compression turns down what is over the threshold by 1 - 1/ratio dB per dB,
// at most by rangeDB. The ratio is at least 1 and may be +Inf, rangeDB too.
func Compression(thresholdDB, ratio, kneeDB, rangeDB float64) Curve {
	return newCurve(thresholdDB, 1, kneeDB, 1-1/ratio, rangeDB)
}

// Expansion is the mirrored curve: it turns down what is below the threshold
// by ratio - 1 dB per dB, at most by rangeDB. The ratio is finite, at least 1.
func Expansion(thresholdDB, ratio, kneeDB, rangeDB float64) Curve {
	return newCurve(thresholdDB, -1, kneeDB, ratio-1, rangeDB)
}

func newCurve(thresholdDB, side, kneeDB, slope, rangeDB float64) Curve {
	c := Curve{thresholdDB: thresholdDB, side: side, halfKneeDB: kneeDB / 2, slope: slope, lowestGainDB: 0 - rangeDB}
	if kneeDB > 0 {
		c.perTwoKnees = 1 / (2 * kneeDB)
	}
	return c
}

// GainDB is the gain at a level: 0 or negative, for every level that is not NaN.
func (c *Curve) GainDB(levelDB float64) float64 {
	inKnee := float64(c.side*(levelDB-c.thresholdDB)) + c.halfKneeDB
	if inKnee <= 0 {
		return 0
	}
	past := inKnee - 2*c.halfKneeDB // beyond the knee's end
	if past > 0 {
		inKnee = 2 * c.halfKneeDB
	} else {
		past = 0
	}
	gain := 0 - float64(c.slope*(float64(float64(inKnee*inKnee)*c.perTwoKnees)+past))
	if gain < c.lowestGainDB {
		return c.lowestGainDB
	}
	return gain
}

// GainsDB writes the gain at each level to dst, which may be levelsDB.
func (c *Curve) GainsDB(dst, levelsDB []float64) {
	dst = dst[:len(levelsDB)]
	for i, l := range levelsDB {
		dst[i] = c.GainDB(l)
	}
}

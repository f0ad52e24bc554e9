package meter

import (
	"math"

	"chapterhouse/dsp"
)

// aes17 is what AES17 adds to plain RMS so that a full-scale sine reads 0:
// 20·log10(√2).
const aes17 = 3.010299956639812

// amplitude sums what plain RMS, sample peak and DC need, of one channel.
type amplitude struct {
	n       int64
	sum     float64
	squares float64
	peak    uint64 // bits of the largest magnitude: their order is that of the floats, without a branch for each sample
}

// add takes a block. The sums depend on where blocks are cut: callers cut on a
// fixed grid.
func (a *amplitude) add(x []float64) {
	var s0, s1, s2, s3, q0, q1, q2, q3 float64
	var p0, p1, p2, p3 uint64
	i := 0
	for ; i+4 <= len(x); i += 4 {
		v := (*[4]float64)(x[i:])
		s0, s1, s2, s3 = s0+v[0], s1+v[1], s2+v[2], s3+v[3]
		q0 += float64(v[0] * v[0])
		q1 += float64(v[1] * v[1])
		q2 += float64(v[2] * v[2])
		q3 += float64(v[3] * v[3])
		p0, p1 = max(p0, magnitude(v[0])), max(p1, magnitude(v[1]))
		p2, p3 = max(p2, magnitude(v[2])), max(p3, magnitude(v[3]))
	}
	for _, v := range x[i:] {
		s0 += v
		q0 += float64(v * v)
		p0 = max(p0, magnitude(v))
	}
	a.n += int64(len(x))
	a.sum += (s0 + s1) + (s2 + s3)
	a.squares += (q0 + q1) + (q2 + q3)
	a.peak = max(a.peak, p0, p1, p2, p3)
}

func magnitude(v float64) uint64 { return math.Float64bits(v) &^ (1 << 63) }

// squares is the sum of squares in a fixed order.
func squares(x []float64) float64 {
	var q0, q1, q2, q3 float64
	i := 0
	for ; i+4 <= len(x); i += 4 {
		v := (*[4]float64)(x[i:])
		q0 += float64(v[0] * v[0])
		q1 += float64(v[1] * v[1])
		q2 += float64(v[2] * v[2])
		q3 += float64(v[3] * v[3])
	}
	for _, v := range x[i:] {
		q0 += float64(v * v)
	}
	return (q0 + q1) + (q2 + q3)
}

// amplitudeDB is 20·log10 of an amplitude, powerDB 10·log10 of a power; −Inf
// for 0, NaN for NaN.
func amplitudeDB(v float64) float64 { return float64(20 * math.Log10(v)) }
func powerDB(v float64) float64     { return float64(10 * math.Log10(v)) }

// rounded is a level as it is reported.
func rounded[L ~float64](v float64) L { return L(dsp.Round2(v)) }

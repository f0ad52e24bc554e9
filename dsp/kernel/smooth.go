package kernel

// OnePole is the coefficient a = exp(-1/(τ·rate)) of y' = x + a·(y - x), which
// comes within 1/e of a step after τ; 0, at once, for τ = 0.
func OnePole(tauMS, rateHz float64) float64 {
	if tauMS <= 0 {
		return 0
	}
	return Exp(-1000 / (tauMS * rateHz))
}

// A Smooth is the branching smoother of Giannoulis, Massberg and Reiss (JAES
// 60(6), 2012, equation 16) on a gain in dB: one pole, with one coefficient
// while the gain falls and another while it rises.
type Smooth struct {
	fall, rise float64
	restDB     float64
	gainDB     float64
}

// NewSmooth makes a Smooth for values at a rate. fallMS and riseMS are the time
// constants τ of a falling and a rising gain: 63.2 % of a step in dB. It starts
// at restDB.
func NewSmooth(fallMS, riseMS, restDB, rateHz float64) *Smooth {
	return &Smooth{fall: OnePole(fallMS, rateHz), rise: OnePole(riseMS, rateHz), restDB: restDB, gainDB: restDB}
}

// Process replaces the wanted gains of v by the smoothed ones. Within 1e-9 dB
// of the wanted gain it is reached exactly: a gain at rest is then bit for bit
// 0 dB, and no state decays into denormal numbers.
func (s *Smooth) Process(v []float64) {
	const reached = 1e-9
	gain := s.gainDB
	for i, want := range v {
		off := gain - want
		a := s.rise
		if off > 0 {
			a = s.fall
		}
		off = float64(a * off)
		if off < reached && off > -reached {
			off = 0
		}
		gain = want + off
		v[i] = gain
	}
	s.gainDB = gain
}

// Reset goes back to rest.
func (s *Smooth) Reset() { s.gainDB = s.restDB }

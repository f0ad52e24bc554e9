package meter

import (
	"math"

	"chapterhouse/dsp/kernel"
)

// KWeighting is the frequency weighting of ITU-R BS.1770-5 Annex 1 at any rate:
// a shelf for the head and a high-pass (RLB). The recommendation gives the
// coefficients for 48 kHz only; these are the analogue prototypes behind them,
// as libebur128 uses them, and give the published table at 48 kHz.
func KWeighting(rateHz float64) []kernel.Biquad {
	const (
		shelfHz, shelfDB, shelfQ = 1681.974450955533, 3.999843853973347, 0.7071752369554196
		shelfBandExponent        = 0.4996667741545416
		passHz, passQ            = 38.13547087602444, 0.5003270373238773
	)
	k := kernel.Tan(math.Pi * shelfHz / rateHz)
	kq, kk := k/shelfQ, float64(k*k)
	high := kernel.FromDB(shelfDB)
	band := kernel.Pow(high, shelfBandExponent)
	d := 1 + kq + kk
	shelf := kernel.Biquad{
		B0: (high + float64(band*kq) + kk) / d,
		B1: 2 * (kk - high) / d,
		B2: (high - float64(band*kq) + kk) / d,
		A1: 2 * (kk - 1) / d,
		A2: (1 - kq + kk) / d,
	}
	k = kernel.Tan(math.Pi * passHz / rateHz)
	kq, kk = k/passQ, float64(k*k)
	d = 1 + kq + kk
	// The numerator stays 1, −2, 1, as the recommendation has it.
	pass := kernel.Biquad{B0: 1, B1: -2, B2: 1, A1: 2 * (kk - 1) / d, A2: (1 - kq + kk) / d}
	return []kernel.Biquad{shelf, pass}
}

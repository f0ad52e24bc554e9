package meter

import (
	"math"

	"chapterhouse/dsp/kernel"
)

// AWeighting is the A frequency weighting of IEC 61672-1 at rates from 16 kHz
// up, 0 dB at 1 kHz: poles at 20.599 (two), 107.65, 737.86 and 12194.2 Hz (two),
// and four zeros at 0.
//
// The low poles are bilinear transforms. The pair at 12.2 kHz would read 3.5 dB
// low at 12.5 kHz that way (at 44.1 kHz), so it is fitted: each is a first-order
// filter with the analogue magnitude at 0, 0.18 and 0.36 of the rate. Up to 0.37
// of the rate the whole is within 0.3 dB.
func AWeighting(rateHz float64) []kernel.Biquad {
	const lowHz, midHz, upperHz, highHz = 20.598997, 107.65265, 737.86223, 12194.217
	pass := func(f1, f2 float64) kernel.Biquad {
		k1, k2 := kernel.Tan(math.Pi*f1/rateHz), kernel.Tan(math.Pi*f2/rateHz)
		p1, p2 := (1-k1)/(1+k1), (1-k2)/(1+k2)
		g := 1 / (float64(1+k1) * float64(1+k2))
		return kernel.Biquad{B0: g, B1: -2 * g, B2: g, A1: -(p1 + p2), A2: float64(p1 * p2)}
	}
	zero, pole := matchedPole(highHz/rateHz, 0.18, 0.36)
	high := kernel.Biquad{B0: 1, B1: -2 * zero, B2: float64(zero * zero), A1: -2 * pole, A2: float64(pole * pole)}

	sections := []kernel.Biquad{pass(lowHz, lowHz), pass(midHz, upperHz), high}
	at1k, _ := kernel.Response(sections, 1000, rateHz)
	g := kernel.FromDB(-at1k)
	s := &sections[2]
	s.B0, s.B1, s.B2 = s.B0*g, s.B1*g, s.B2*g
	return sections
}

// matchedPole is the zero and the pole of a first-order low-pass with the relative
// magnitude of 1/(s+corner) at 0 and at two more frequencies, all of them parts
// of the rate.
//
// With φ = sin²(πf) its squared magnitude is (1+nφ)/(1+dφ), in which n and d are
// linear; a root r gives 4r/(1−r)² for either.
func matchedPole(corner, f1, f2 float64) (zero, pole float64) {
	at := func(f float64) (phi, power float64) {
		s, r := kernel.Sin(math.Pi*f), f/corner
		return float64(s * s), 1 / (1 + float64(r*r))
	}
	phi1, m1 := at(f1)
	phi2, m2 := at(f2)
	// n·φ − d·m·φ = m − 1 at both.
	c1, c2 := (m1-1)/phi1, (m2-1)/phi2
	d := (c2 - c1) / (m1 - m2)
	n := c1 + float64(d*m1)
	root := func(k float64) float64 {
		h := 1 + 2/k
		r := math.Sqrt(float64(h*h) - 1)
		if h < 0 {
			return h + r
		}
		return h - r
	}
	return root(n), root(d)
}

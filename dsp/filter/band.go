package filter

import (
	"cmp"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// Notch takes out one steady tone, such as a whistle of the interface, and
// leaves its neighbours.
//
//	H(s) = (s² + 1) / (s² + s/Q + 1), s relative to the centre
//
// Parameters:
//   - centre_hz: the tone, 10 to 0.45 of the rate; no default.
//   - q: centre over the width between the -3 dB points, 1 to 100; usually 30.
//
// Latency: none.
//
// Source: Audio EQ Cookbook (W3C Note, 2021), notch.
func Notch(centreHz, q, rateHz float64) ([]kernel.Biquad, error) {
	if err := cmp.Or(frequency("centre_hz", centreHz, rateHz), dsp.Within("q", q, 1, 100)); err != nil {
		return nil, err
	}
	p := cookbook(2*math.Pi*centreHz/rateHz, q)
	return []kernel.Biquad{p.over(1, p.a1, 1)}, nil
}

// Bandpass keeps the surroundings of a frequency; detectors listen through it.
//
//	H(s) = (s/Q) / (s² + s/Q + 1), s relative to the centre; 0 dB there
//
// Parameters:
//   - centre_hz: 10 to 0.45 of the rate; no default.
//   - q: centre over the width between the -3 dB points, 0.1 to 40; no default.
//
// Latency: none.
//
// Source: Audio EQ Cookbook (W3C Note, 2021), BPF with constant peak gain.
func Bandpass(centreHz, q, rateHz float64) ([]kernel.Biquad, error) {
	if err := cmp.Or(frequency("centre_hz", centreHz, rateHz), dsp.Within("q", q, 0.1, 40)); err != nil {
		return nil, err
	}
	p := cookbook(2*math.Pi*centreHz/rateHz, q)
	alpha := (p.a0 - p.a2) / 2
	return []kernel.Biquad{p.over(alpha, 0, -alpha)}, nil
}

// Bell lifts or lowers the surroundings of one frequency: a booth's standing
// wave, a nasal ring, a little presence.
//
//	H(s) = (s² + s·A/Q + 1) / (s² + s/(A·Q) + 1), A = 10^(gain/40),
//	s relative to the centre
//
// Parameters:
//   - centre_hz: where the gain is reached exactly, 10 to 0.45 of the rate; no default.
//   - gain_db: -24 to 24; 0 is no section at all; no default.
//   - q: higher is narrower, 0.1 to 40; usually 1.
//
// The same bell with the opposite gain undoes it.
//
// Latency: none.
//
// Source: Audio EQ Cookbook (W3C Note, 2021), peakingEQ.
func Bell(centreHz, gainDB, q, rateHz float64) ([]kernel.Biquad, error) {
	if err := cmp.Or(frequency("centre_hz", centreHz, rateHz),
		dsp.Within("gain_db", gainDB, -24, 24), dsp.Within("q", q, 0.1, 40)); err != nil {
		return nil, err
	}
	if gainDB == 0 {
		return nil, nil
	}
	a := kernel.FromDB(gainDB / 2)
	w := 2 * math.Pi * centreHz / rateHz
	alpha := kernel.Sin(w) / (2 * q)
	p := poles{1 + alpha/a, float64(-2 * kernel.Cos(w)), 1 - alpha/a}
	return []kernel.Biquad{p.over(1+float64(alpha*a), p.a1, 1-float64(alpha*a))}, nil
}

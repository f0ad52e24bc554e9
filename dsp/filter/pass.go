package filter

import (
	"fmt"
	"math"

	"chapterhouse/dsp/kernel"
)

// Highpass takes away rumble, footfall and the weight of close microphones
// below a cutoff; above it the voice stays as it is.
//
//	|H(f)|² = Ω^2n / (1 + Ω^2n),  Ω = tan(πf/fs) / tan(πfc/fs),  n = slope/6
//
// Parameters:
//   - cutoff_hz: where the level is 3.01 dB down, 10 to 0.45 of the rate; no default.
//   - slope_db_per_octave: 6, 12, 18, 24, 30, 36, 42 or 48; no default.
//
// Latency: none.
//
// Source: Butterworth, "On the Theory of Filter Amplifiers", 1930; sections by
// the Audio EQ Cookbook (W3C Note, 2021), HPF, with Q = 1/(2·cos θ); an odd
// order has one real pole.
func Highpass(cutoffHz float64, slopeDBPerOctave int, rateHz float64) ([]kernel.Biquad, error) {
	return butterworth(cutoffHz, slopeDBPerOctave, rateHz, highpass1, highpass2)
}

// Lowpass takes away hiss and whistle above a cutoff.
//
//	|H(f)|² = 1 / (1 + Ω^2n),  Ω = tan(πf/fs) / tan(πfc/fs),  n = slope/6
//
// Parameters: as Highpass.
//
// Latency: none.
//
// Source: as Highpass, LPF.
func Lowpass(cutoffHz float64, slopeDBPerOctave int, rateHz float64) ([]kernel.Biquad, error) {
	return butterworth(cutoffHz, slopeDBPerOctave, rateHz, lowpass1, lowpass2)
}

func butterworth(cutoffHz float64, slope int, rateHz float64,
	first func(hz, rateHz float64) kernel.Biquad,
	second func(hz, q, rateHz float64) kernel.Biquad,
) ([]kernel.Biquad, error) {
	if err := frequency("cutoff_hz", cutoffHz, rateHz); err != nil {
		return nil, err
	}
	if slope < 6 || slope > 48 || slope%6 != 0 {
		return nil, fmt.Errorf("slope_db_per_octave is %d, it must be 6, 12, 18, 24, 30, 36, 42 or 48", slope)
	}
	order := slope / 6
	var sections []kernel.Biquad
	if order%2 == 1 {
		sections = append(sections, first(cutoffHz, rateHz))
	}
	for _, q := range ButterworthQs(order) {
		sections = append(sections, second(cutoffHz, q, rateHz))
	}
	return sections, nil
}

// ButterworthQs are the Qs of the second-order sections of a Butterworth
// filter, lowest first. An odd order has one real pole beside them.
func ButterworthQs(order int) []float64 {
	qs := make([]float64, order/2)
	for k := range qs {
		theta := float64(2*k+1) * math.Pi / float64(2*order)
		if order%2 == 1 {
			theta = float64(k+1) * math.Pi / float64(order)
		}
		qs[k] = 1 / (2 * kernel.Cos(theta))
	}
	return qs
}

func highpass1(hz, rateHz float64) kernel.Biquad {
	k := kernel.Tan(math.Pi * hz / rateHz)
	return kernel.Biquad{B0: 1 / (1 + k), B1: -1 / (1 + k), A1: (k - 1) / (k + 1)}
}

func lowpass1(hz, rateHz float64) kernel.Biquad {
	k := kernel.Tan(math.Pi * hz / rateHz)
	return kernel.Biquad{B0: k / (1 + k), B1: k / (1 + k), A1: (k - 1) / (k + 1)}
}

func highpass2(hz, q, rateHz float64) kernel.Biquad {
	w := 2 * math.Pi * hz / rateHz
	half := kernel.Cos(w / 2)
	b := float64(half * half) // (1 + cos w)/2
	return cookbook(w, q).over(b, -2*b, b)
}

func lowpass2(hz, q, rateHz float64) kernel.Biquad {
	w := 2 * math.Pi * hz / rateHz
	half := kernel.Sin(w / 2)
	b := float64(half * half) // (1 - cos w)/2
	return cookbook(w, q).over(b, 2*b, b)
}

// poles is the denominator that the cookbook's filters without gain share,
// (1 + α) - 2·cos w·z⁻¹ + (1 - α)·z⁻², α = sin w / 2Q.
type poles struct{ a0, a1, a2 float64 }

func cookbook(w, q float64) poles {
	alpha := kernel.Sin(w) / (2 * q)
	return poles{1 + alpha, float64(-2 * kernel.Cos(w)), 1 - alpha}
}

// over is numerator over denominator, with a0 = 1.
func (p poles) over(b0, b1, b2 float64) kernel.Biquad {
	return kernel.Biquad{B0: b0 / p.a0, B1: b1 / p.a0, B2: b2 / p.a0, A1: p.a1 / p.a0, A2: p.a2 / p.a0}
}

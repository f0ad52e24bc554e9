package filter

import (
	"cmp"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// LowShelf makes a voice warmer or leaner: everything below the corner moves
// by the gain, everything above stays.
//
//	H(s) = A·(s² + √A/Q·s + A) / (A·s² + √A/Q·s + 1), A = 10^(gain/40),
//	1/Q² = (A + 1/A)(1/S - 1) + 2, s relative to the corner
//
// Parameters:
//   - corner_hz: where half of the gain is reached, 10 to 0.45 of the rate; no default.
//   - gain_db: -24 to 24; 0 is no section at all; no default.
//   - slope: S, 0.1 (gentle) to 1 (as steep as it gets without a bump); usually 1.
//
// Latency: none.
//
// Source: Audio EQ Cookbook (W3C Note, 2021), lowShelf.
func LowShelf(cornerHz, gainDB, slope, rateHz float64) ([]kernel.Biquad, error) {
	return shelf(cornerHz, gainDB, slope, rateHz, 1)
}

// HighShelf adds or takes air: everything above the corner moves by the gain,
// everything below stays.
//
//	H(s) = A·(A·s² + √A/Q·s + 1) / (s² + √A/Q·s + A), A and Q as LowShelf
//
// Parameters: as LowShelf.
//
// Latency: none.
//
// Source: Audio EQ Cookbook (W3C Note, 2021), highShelf.
func HighShelf(cornerHz, gainDB, slope, rateHz float64) ([]kernel.Biquad, error) {
	return shelf(cornerHz, gainDB, slope, rateHz, -1)
}

// shelf is a low shelf with side 1. A high shelf is its mirror image: the
// same with the sign of cos w and of both odd coefficients turned, side -1.
func shelf(cornerHz, gainDB, slope, rateHz, side float64) ([]kernel.Biquad, error) {
	if err := cmp.Or(frequency("corner_hz", cornerHz, rateHz),
		dsp.Within("gain_db", gainDB, -24, 24), dsp.Within("slope", slope, 0.1, 1)); err != nil {
		return nil, err
	}
	if gainDB == 0 {
		return nil, nil
	}
	a := kernel.FromDB(gainDB / 2)
	w := 2 * math.Pi * cornerHz / rateHz
	c := side * kernel.Cos(w)
	alpha := kernel.Sin(w) / 2 * math.Sqrt(float64((a+1/a)*(1/slope-1))+2)
	t := float64(2 * math.Sqrt(a) * alpha)
	down, up := float64((a-1)*c), float64((a+1)*c)
	p := poles{(a + 1) + down + t, float64(-2 * side * ((a - 1) + up)), (a + 1) + down - t}
	b0 := float64(a * ((a + 1) - down + t))
	b1 := float64(2 * side * a * ((a - 1) - up))
	b2 := float64(a * ((a + 1) - down - t))
	return []kernel.Biquad{p.over(b0, b1, b2)}, nil
}

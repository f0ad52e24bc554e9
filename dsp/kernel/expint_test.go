package kernel

import (
	"math"
	"testing"
)

// Values of x·exp(x)·E1(x) and E1(x): Abramowitz and Stegun, tables 5.1 and 5.2,
// rounded there to nine or ten digits.
func TestExpIntegral(t *testing.T) {
	for x, want := range map[float64]float64{
		0.01: 4.037929577, 0.1: 1.822923958, 0.5: 0.5597735948, 1: 0.2193839344, 1.5: 0.1000195824, 2: 0.0489005107, 5: 0.001148295591, 10: 4.156968930e-6,
	} {
		if got := ExpIntegral(x); math.Abs(got/want-1) > 2e-9 {
			t.Errorf("E1(%g) is %.10g, want %.10g", x, got, want)
		}
	}
	// The series and the fraction meet, and the slope is -exp(-x)/x everywhere.
	for x := 0.002; x < 50; x *= 1.1 {
		h := x * 1e-4
		slope := (ExpIntegral(x+h) - ExpIntegral(x-h)) / (2 * h)
		if want := -math.Exp(-x) / x; math.Abs(slope/want-1) > 1e-5 {
			t.Errorf("the slope at %g is %g, want %g", x, slope, want)
		}
	}
	if got := ExpIntegral(math.Nextafter(1, 2)) - ExpIntegral(1); math.Abs(got) > 1e-15 {
		t.Errorf("a jump of %g at 1", got)
	}
	if !math.IsInf(ExpIntegral(0), 1) || !math.IsNaN(ExpIntegral(-1)) || ExpIntegral(1e4) != 0 {
		t.Error("edges")
	}
}

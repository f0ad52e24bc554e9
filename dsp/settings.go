package dsp

import (
	"fmt"
	"math"
)

// Within says that a setting is outside its legal range, by its key; NaN is.
// high may be +Inf.
func Within(key string, value, low, high float64) error {
	if value >= low && value <= high {
		return nil
	}
	if math.IsInf(high, 1) {
		return fmt.Errorf("%s is %g, it must be %g or more", key, value, low)
	}
	return fmt.Errorf("%s is %g, it must be %g to %g", key, value, low, high)
}

// CheckRate checks a sample rate: 8 to 192 kHz.
func CheckRate(rateHz float64) error { return Within("rate_hz", rateHz, 8000, 192000) }

// ControlRate is the number of control steps a second.
func ControlRate(rateHz float64) float64 { return rateHz / float64(ControlStep(rateHz)) }

// Controls is the number of control steps that cover a time, at least 1.
func Controls(ms, rateHz float64) int {
	return max(1, int(math.Ceil(float64(ms/1000*ControlRate(rateHz))-1e-9)))
}

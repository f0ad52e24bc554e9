// Package restore takes out of a recording what isn't the narrator: noise of
// the room, clicks of the mouth and of the machine, pops of breath on the
// microphone.
//
// A stage that finds nothing gives back the bits of its input, late by its
// latency. No stage remembers anything longer than 8 s, and each says by Settle
// how long it does.
package restore

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
)

// controlRate is the number of control steps a second.
func controlRate(rateHz float64) float64 { return rateHz / float64(dsp.ControlStep(rateHz)) }

// controls is the number of control steps that cover a time, at least 1.
func controls(ms, rateHz float64) int {
	return max(1, int(math.Ceil(float64(ms/1000*controlRate(rateHz))-1e-9)))
}

// within says that a value is outside its legal range, by key.
func within(key string, value, low, high float64) error {
	if value >= low && value <= high {
		return nil
	}
	return fmt.Errorf("%s is %g, it must be %g to %g", key, value, low, high)
}

// rate checks a sample rate.
func rate(rateHz float64) error { return within("rate_hz", rateHz, 8000, 192000) }

// firstFault is the first of several checks that failed.
func firstFault(faults ...error) error {
	for _, err := range faults {
		if err != nil {
			return err
		}
	}
	return nil
}

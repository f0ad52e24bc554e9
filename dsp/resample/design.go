package resample

import (
	"fmt"
	"math"

	"chapterhouse/dsp/kernel"
)

// The low-pass filter passes all up to 20/22.05 of half the lower rate (20 kHz
// of 44.1 kHz) and stops from half the lower rate on, so that nothing folds
// back. The middle of that transition is where the ideal filter would cut.
const (
	passEdge    = 20 / 22.05
	stopEdge    = 1.0
	stopBandDB  = 125 // 120 are promised; the rest is for many images adding up
	largestBank = 1 << 20
)

// design is the filter bank for a step of m/l input samples per output sample:
// l phases of taps coefficients each, one after the other. Output k lies
// (k·m mod l)/l after an input sample; phase p holds the coefficients for p/l,
// the first for the input sample taps/2−1 before.
//
// The prototype is a sinc under a Kaiser window, with the window's length and
// shape from J. F. Kaiser's formulas (A. V. Oppenheim, R. W. Schafer,
// Discrete-Time Signal Processing, 3rd ed., section 7.6). It is even to the
// bit, therefore so is the response to an impulse.
func design(l, m int) (bank []float64, taps int, err error) {
	lower := math.Min(1, float64(l)/float64(m)) // half the lower rate, in halves of the input rate
	width := math.Pi * lower * (stopEdge - passEdge)
	beta := 0.1102 * (stopBandDB - 8.7)
	taps = int(math.Ceil((stopBandDB - 7.95) / (2.285 * width)))
	taps = (taps + 3) &^ 3
	if l > largestBank/taps {
		return nil, 0, fmt.Errorf("the ratio %d:%d needs a filter of %d coefficients, more than %d", l, m, l*taps, largestBank)
	}

	half := l * taps / 2
	cut := lower * (passEdge + stopEdge) / 2
	shape := make([]float64, half+1) // from the middle; the last one is 0
	for n := range half {
		u := float64(n) / float64(half)
		window := kernel.BesselI0(beta*math.Sqrt(1-float64(u*u))) / kernel.BesselI0(beta)
		shape[n] = cut * kernel.Sinc(cut*float64(n)/float64(l)) * window
	}
	bank = make([]float64, l*taps)
	var sum float64
	for p := range l {
		for j := range taps {
			n := (j-(taps/2-1))*l - p
			v := shape[max(n, -n)]
			bank[p*taps+j] = v
			sum += v
		}
	}
	// On the average over the phases a constant passes unchanged.
	scale := float64(l) / sum
	for i := range bank {
		bank[i] *= scale
	}
	return bank, taps, nil
}

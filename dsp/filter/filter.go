// Package filter designs equalisation as second-order sections and runs them.
//
// A design function returns sections or an error that names the parameter by
// its key, its value and its legal range. New runs sections as a
// dsp.Processor; Crossover splits a signal into bands that sum flat.
package filter

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// A Filter is a fixed equalisation: sections in series, no latency.
type Filter struct{ cascade *kernel.Cascade }

// New makes a filter at rest. No sections leave the signal alone.
func New(sections []kernel.Biquad) *Filter {
	return &Filter{kernel.NewCascade(sections)}
}

// Process filters one quantum in place.
func (f *Filter) Process(block []float64) { f.cascade.Process(block) }

// Latency is 0: a filter turns phase, but holds nothing back.
func (f *Filter) Latency() int { return 0 }

// Reset puts the filter at rest.
func (f *Filter) Reset() { f.cascade.Reset() }

// SettleFrames is the number of samples after which sections have forgotten
// what they heard before: their slowest decay is 100 dB down, which leaves
// 40 dB for a past that was louder than what is played now.
func SettleFrames(sections []kernel.Biquad) int {
	slowest := 0.0
	for _, q := range sections {
		radius := math.Sqrt(math.Abs(q.A2)) // of a conjugate pair of poles
		if d := float64(q.A1*q.A1) - float64(4*q.A2); d > 0 {
			radius = (math.Abs(q.A1) + math.Sqrt(d)) / 2
		}
		slowest = max(slowest, radius)
	}
	if slowest == 0 {
		return 2 // a section without poles still holds two samples
	}
	return int(math.Ceil(kernel.Log(1e-5) / kernel.Log(slowest)))
}

// Frequencies may lie between lowestHz and highestShare of the sample rate:
// below, nothing is heard; above, the bilinear transform leaves no room for a
// slope. For 44.1 kHz that is 19845 Hz.
const (
	lowestHz     = 10
	highestShare = 0.45
)

// frequency checks a frequency and the rate it is meant for.
func frequency(key string, hz, rateHz float64) error {
	if err := dsp.Within("rate_hz", rateHz, 8000, 384000); err != nil {
		return err
	}
	return dsp.Within(key, hz, lowestHz, highestShare*rateHz)
}

package level

import "chapterhouse/dsp/kernel"

// A Gain makes everything louder or softer by the same amount; a listener hears
// the voice nearer or further, and nothing else.
//
//	y = 10^(gain/20)·x
//
// Parameters:
//   - gainDB: any number; -Inf is silence. 0 leaves the bits alone.
//
// Latency: none.
//
// Source: the decibel of an amplitude, IEC 60027-3.
type Gain struct{ factor float64 }

// NewGain makes a gain.
func NewGain(gainDB float64) *Gain { return &Gain{kernel.FromDB(gainDB)} }

// Process scales one quantum in place.
func (g *Gain) Process(block []float64) {
	for i := range block {
		block[i] *= g.factor
	}
}

// Latency is 0.
func (g *Gain) Latency() int { return 0 }

// Reset does nothing: a gain has no state.
func (g *Gain) Reset() {}

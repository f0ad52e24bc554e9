// Package dsp is the sound: processors over mono float64 blocks, meters, and
// the engine that runs a chain of processors on the absolute sample grid.
//
// It uses the standard library only and knows nothing of files, houses or
// chapters. Samples are full scale ±1. Every product that is added to
// something is written float64(x*y)+z, so that the same source gives the same
// bits whatever the compiler may fuse; TestSameBits in dsptest guards it.
package dsp

// Quantum is the number of frames in one block of the engine. Processors see
// whole quanta only, aligned to the absolute sample index of their part.
const Quantum = 1024

// A Processor changes a mono signal in place.
//
// The constructor of a processor may fail; Process may not: it returns no
// error, does not allocate and does not keep block. len(block) is always
// Quantum. The output is Latency() samples late; the engine undoes that.
type Processor interface {
	Process(block []float64)
	Latency() int // samples
	Reset()       // back to the state the constructor left
}

// A Gauge is a processor that moves gain. GainsDB is the gain of the last
// quantum on the control grid (one value per ControlStep samples, 0 at rest,
// negative when it turns down); the slice is valid until the next Process.
type Gauge interface {
	GainsDB() []float64
}

// A Placed processor does other things at other places of its part. Place says
// which frame of the part the first sample of the next quantum is, at the work
// rate, counted from the part's start; it can be negative. Every Process goes
// on by a quantum. A new processor, and one after Reset, is at frame 0.
type Placed interface {
	Place(at Frames)
}

// ControlStep is the number of samples between two control values of every
// dynamics processor at a rate: 8, and 16 from 88.2 kHz up, so that the step
// stays between 0.16 and 0.19 ms.
func ControlStep(rateHz float64) int {
	if rateHz >= 88200 {
		return 16
	}
	return 8
}

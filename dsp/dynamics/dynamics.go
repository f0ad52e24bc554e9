// Package dynamics moves gain by level: compressor, expander, de-esser, ride and
// the dynamic bands of an eq.
//
// They share one definition. Each control step (dsp.ControlStep samples) a
// detector gives one level; the level goes through the static curve, which
// gives the wanted gain in dB; a smoother follows it; and between the control
// steps the gain runs in a straight line:
//
//	detector → level in dB → curve → attack and release → gain → ramp
//
// Attack and release are time constants: after so long, 63.2 % of a change of
// the gain in dB has happened (90 % after 2.3, 99 % after 4.6 of them). No
// processor remembers anything longer than 8 s, and each says by Settle how
// long it does.
//
// It holds no filter design and no true-peak limiter.
package dynamics

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

const (
	// peakHoldMS is how long a peak detector keeps a peak: half a period of
	// 50 Hz, so that every lower crest of a voice or a sine reaches the next
	// and the level of a sine is its peak, without ripple.
	peakHoldMS = 10
	// rmsWindowMS is the window of an RMS detector.
	rmsWindowMS = 20
	// settledDB is a gain difference of -60 dB of the signal: 20·log10(1.001).
	settledDB = 0.00868
)

// A detector gives one level a control step.
type detector struct {
	step int
	mean *kernel.Mean // nil: peak
	hold *kernel.Hold // nil: no hold
}

// newPeakDetector holds the peak of each control step for peakHoldMS, and for
// holdMS more.
func newPeakDetector(holdMS, rateHz float64) *detector {
	return &detector{step: dsp.ControlStep(rateHz), hold: kernel.NewHold(dsp.Controls(peakHoldMS+holdMS, rateHz))}
}

// newRMSDetector takes the mean square over windowMS and holds its maximum for
// holdMS more.
func newRMSDetector(windowMS, holdMS, rateHz float64) *detector {
	d := &detector{step: dsp.ControlStep(rateHz), mean: kernel.NewMean(dsp.Controls(windowMS, rateHz))}
	if holdMS > 0 {
		d.hold = kernel.NewHold(1 + dsp.Controls(holdMS, rateHz))
	}
	return d
}

// process writes the levels in dB of a quantum: peak dBFS or plain RMS dBFS.
func (d *detector) process(levelsDB, block []float64) {
	if d.mean == nil {
		kernel.Peaks(levelsDB, block, d.step)
		d.hold.Process(levelsDB)
		kernel.AmplitudesToDB(levelsDB, levelsDB)
		return
	}
	kernel.Powers(levelsDB, block, d.step)
	d.mean.Process(levelsDB)
	if d.hold != nil {
		d.hold.Process(levelsDB)
	}
	kernel.PowersToDB(levelsDB, levelsDB)
}

func (d *detector) reset() {
	if d.mean != nil {
		d.mean.Reset()
	}
	if d.hold != nil {
		d.hold.Reset()
	}
}

// smoothingMS is how long a smoother with the time constant tauMS takes from a
// difference of rangeDB until it is below settledDB.
func smoothingMS(rangeDB, tauMS float64) float64 {
	if rangeDB <= settledDB {
		return 0
	}
	return tauMS * kernel.Log(rangeDB/settledDB)
}

// frames is a time in samples, rounded up, and one control step, for the grid.
func frames(ms, rateHz float64) int {
	return int(math.Ceil(ms/1000*rateHz)) + dsp.ControlStep(rateHz)
}

package restore

import (
	"cmp"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// PlosivesSettings are the parameters of Plosives; see there.
type PlosivesSettings struct {
	ThresholdDBFS float64
	MaxCutDB      float64
	ReleaseMS     float64
}

// Plosives takes the pops out of a narrator's p and b: breath that strikes the
// microphone as a thud of 10 to 60 ms. A listener no longer hears the thud, and
// hears the lips and the voice after them as they were; with too low a threshold
// a deep voice loses its chest for a moment.
//
// Pops tells where they are: L, S and V are its levels. What is turned down is a
// band made by a low-pass of linear phase, -2 dB at 110 Hz, -6 dB at 190 Hz:
//
//	over   = L - max(threshold, S + 12, V - 22)
//	wanted = -max_cut · min(1, over/3)       over > 0
//	y[n]   = x[n-d] - (1 - gain)·low[n-d]
//
// The gain falls with a time
// constant of 4 ms, before the pop, and rises with the release. At rest the bits
// of the input come out, late by the latency, so both bands sum flat.
//
// Parameters:
//   - ThresholdDBFS: -120 to 0, plain RMS in the deep band, which holds some 10 dB
//     less than the whole pop; no default.
//   - MaxCutDB: how far a pop is turned down, 0 to 24; no default.
//   - ReleaseMS: 63.2 % of the way back in dB, 5 to 200; no default.
//
// Latency: 279 ms, in control steps: 12,288 samples at 44.1 kHz.
//
// Source: this project's own; turning down the low band at pops is common
// practice. Means in series: Wells, "Efficient Synthesis of Gaussian Filters by
// Cascaded Uniform Filters", IEEE Trans. PAMI 8(2), 1986.
type Plosives struct {
	s       PlosivesSettings
	step    int
	latency int

	delay  *kernel.Delay
	low    smoother      // the band that is turned down
	later  *kernel.Delay // aligns it
	lows   []float64
	smooth *kernel.Smooth
	ramp   *kernel.Ramp

	pops    *Pops
	gains   []float64
	gainsDB []float64
}

const (
	lowNullHz = 600.0 // first null of the low band
	fullOver  = 3.0   // dB over the threshold from which on all of the cut is used
	downMS    = 4.0
)

// NewPlosives makes the processor at rest.
func NewPlosives(s PlosivesSettings, rateHz float64) (*Plosives, error) {
	err := cmp.Or(
		dsp.CheckRate(rateHz),
		dsp.Within("threshold_dbfs", s.ThresholdDBFS, -120, 0),
		dsp.Within("max_cut_db", s.MaxCutDB, 0, 24),
		dsp.Within("release_ms", s.ReleaseMS, 5, 200),
	)
	if err != nil {
		return nil, err
	}
	step := dsp.ControlStep(rateHz)
	values := func() []float64 { return make([]float64, dsp.Quantum/step) }
	p := &Plosives{s: s, step: step, pops: NewPops(rateHz), gains: values(), gainsDB: values()}
	p.low = newSmoother(odd(rateHz / lowNullHz))
	p.latency = p.pops.Latency() + dsp.Controls(burstMS/2+2*downMS, rateHz)*step
	p.delay = kernel.NewDelay(p.latency, dsp.Quantum)
	p.later = kernel.NewDelay(p.latency-p.low.delay(), dsp.Quantum)
	p.lows = make([]float64, dsp.Quantum)
	p.smooth = kernel.NewSmooth(downMS, s.ReleaseMS, 0, dsp.ControlRate(rateHz))
	p.ramp = kernel.NewRamp(step, 0)
	return p, nil
}

// Process turns down one quantum's pops in place.
func (p *Plosives) Process(block []float64) {
	p.listen(block)
	copy(p.lows, block)
	p.low.process(p.lows)
	p.later.Process(p.lows)
	p.delay.Process(block)
	kernel.DBToAmplitudes(p.gains, p.gainsDB)
	for i, db := range p.gainsDB {
		p.gains[i]--
		if db == 0 {
			p.gains[i] = 0 // to the bit
		}
	}
	p.ramp.Process(p.lows, p.gains)
	for i, v := range p.lows {
		if v != 0 {
			block[i] += v
		}
	}
}

// listen makes the gains of a quantum.
func (p *Plosives) listen(block []float64) {
	p.pops.Hear(block)
	for i, level := range p.pops.LevelsDB() {
		over := (level - max(p.s.ThresholdDBFS, p.pops.LimitsDB()[i])) / fullOver
		p.gainsDB[i] = 0 - float64(p.s.MaxCutDB*max(0, min(1, over)))
	}
	p.smooth.Process(p.gainsDB)
}

// Latency is in samples.
func (p *Plosives) Latency() int { return p.latency }

// Reset goes back to rest.
func (p *Plosives) Reset() {
	p.delay.Reset()
	p.low.reset()
	p.later.Reset()
	p.smooth.Reset()
	p.ramp.Reset()
	p.pops.Reset()
	clear(p.gainsDB)
}

// GainsDB is the gain of the low band in the last quantum, one value a control
// step.
func (p *Plosives) GainsDB() []float64 { return p.gainsDB }

// Settle is the number of samples after which a cold start is within -60 dB of
// a warm one.
func (s PlosivesSettings) Settle(rateHz float64) int {
	const deepMS = 4 * 1000 / deepNullHz
	ms := rumbleMS + 2*usualMS + deepMS + burstMS + bridgeMS + float64(s.ReleaseMS*kernel.Log(1+float64(1000*s.MaxCutDB)))
	return int(ms/1000*rateHz) + dsp.Quantum
}

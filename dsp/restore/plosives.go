package restore

import (
	"cmp"
	"math"

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
// Two bands are made by low-passes of linear phase, whose response is that of a
// mean over n values, to the fourth power. In the deep one, -9 dB at 35 Hz and
// below -45 dB from 70 Hz on, a voice has nothing, since nothing in it lies
// below its pitch, and breath has most; so neither a low voice nor a shout from
// the chest counts. The other one is what is turned down, -2 dB at 110 Hz, -6 dB
// at 190 Hz. With L the deep band's level and S the highest median of it over half
// a second in the last 4 s, which a lorry moves and a pop doesn't, and V the level
// of the voice over the low band within 30 ms, which hides what is far below it:
//
//	over   = L - max(threshold, S + 12, V - 22)
//	wanted = -max_cut · min(1, over/3)       over > 0
//	y[n]   = x[n-d] - (1 - gain)·low[n-d]
//
// L is plain RMS over 10 ms, the greatest of 20 ms; the gain falls with a time
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

	deep     smoother // the band that is listened to, one value a control step
	mean     *kernel.Mean
	bridge   *kernel.Hold
	usual    *median      // one a hop
	rumble   *kernel.Hold // the greatest of that
	rumbleDB [1]float64
	wait     *kernel.Delay

	upper     smoother // what it takes away leaves the voice
	upperWait *kernel.Delay
	voiceMean *kernel.Mean
	voiceHold *kernel.Hold
	voiceWait *kernel.Delay

	control  []float64 // the sound, one value a control step
	levelsDB []float64
	voiceDB  []float64
	gains    []float64
	gainsDB  []float64
}

const (
	lowNullHz  = 600.0 // first null of the low band
	deepNullHz = 90.0  // and of the deep one
	burstMS    = 10.0
	bridgeMS   = 20.0 // half a period of 25 Hz
	voiceMS    = 60.0 // 30 on either side
	hop        = 64   // control steps
	usualMS    = 500.0
	rumbleMS   = 4000.0
	overRumble = 12.0 // dB
	underVoice = 22.0 // dB
	fullOver   = 3.0  // dB over the threshold from which on all of the cut is used
	downMS     = 4.0
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
	p := &Plosives{s: s, step: step, control: values(), levelsDB: values(), voiceDB: values(), gains: values(), gainsDB: values()}
	p.low = newSmoother(odd(rateHz / lowNullHz))
	p.deep = newSmoother(odd(dsp.ControlRate(rateHz) / deepNullHz))
	usual := odd(usualMS / 1000 * dsp.ControlRate(rateHz) / hop)
	waits := usual / 2 * hop
	p.latency = (waits + p.deep.delay() + dsp.Controls(burstMS/2+2*downMS, rateHz)) * step
	p.delay = kernel.NewDelay(p.latency, dsp.Quantum)
	p.later = kernel.NewDelay(p.latency-p.low.delay(), dsp.Quantum)
	p.lows = make([]float64, dsp.Quantum)
	p.mean = kernel.NewMean(dsp.Controls(burstMS, rateHz))
	p.bridge = kernel.NewHold(dsp.Controls(bridgeMS, rateHz))
	p.usual = newMedian(usual)
	p.rumble = kernel.NewHold(dsp.Controls(rumbleMS, rateHz) / hop)
	p.wait = kernel.NewDelay(waits, dsp.Quantum/step)
	p.upper = newSmoother(odd(dsp.ControlRate(rateHz) / lowNullHz))
	p.upperWait = kernel.NewDelay(p.upper.delay(), dsp.Quantum/step)
	p.voiceMean = kernel.NewMean(dsp.Controls(burstMS, rateHz))
	p.voiceHold = kernel.NewHold(dsp.Controls(voiceMS, rateHz))
	// The hold looks ahead by half of it.
	p.voiceWait = kernel.NewDelay(waits+p.deep.delay()-p.upper.delay()-dsp.Controls(voiceMS/2-bridgeMS/2, rateHz), dsp.Quantum/step)
	p.smooth = kernel.NewSmooth(downMS, s.ReleaseMS, 0, dsp.ControlRate(rateHz))
	p.ramp = kernel.NewRamp(step, 0)
	return p, nil
}

// odd is the odd number nearest to v.
func odd(v float64) int { return 2*int(math.Floor(v/2)) + 1 }

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
	for i := range p.control {
		var sum float64
		for _, v := range block[i*p.step : (i+1)*p.step] {
			sum += v
		}
		p.control[i] = sum / float64(p.step)
	}
	levels := p.levelsDB
	copy(levels, p.control)
	p.deep.process(levels)
	square(levels)
	p.mean.Process(levels)
	var thresholds [dsp.Quantum / 8 / hop]float64
	for h := range len(levels) / hop {
		r := p.rumbleDB[:]
		r[0] = p.usual.next(levels[(h+1)*hop-1])
		p.rumble.Process(r)
		kernel.PowersToDB(r, r)
		thresholds[h] = max(p.s.ThresholdDBFS, r[0]+overRumble)
	}
	p.bridge.Process(levels)
	p.wait.Process(levels)
	kernel.PowersToDB(levels, levels)
	p.hearVoice()
	for i, level := range levels {
		over := (level - max(thresholds[i/hop], p.voiceDB[i]-underVoice)) / fullOver
		p.gainsDB[i] = 0 - float64(p.s.MaxCutDB*max(0, min(1, over)))
	}
	p.smooth.Process(p.gainsDB)
}

// hearVoice makes the level of what lies over the low band.
func (p *Plosives) hearVoice() {
	voice := p.voiceDB
	copy(voice, p.control)
	p.upper.process(voice)
	p.upperWait.Process(p.control)
	for i, v := range p.control {
		voice[i] = v - voice[i]
	}
	square(voice)
	p.voiceMean.Process(voice)
	p.voiceHold.Process(voice)
	p.voiceWait.Process(voice)
	kernel.PowersToDB(voice, voice)
}

func square(x []float64) {
	for i, v := range x {
		x[i] = float64(v * v)
	}
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
	p.deep.reset()
	p.mean.Reset()
	p.bridge.Reset()
	p.usual.reset()
	p.rumble.Reset()
	p.wait.Reset()
	p.upper.reset()
	p.upperWait.Reset()
	p.voiceMean.Reset()
	p.voiceHold.Reset()
	p.voiceWait.Reset()
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

// A smoother is a low-pass of linear phase: four means over n values each, whose
// response is that of one to the fourth power.
type smoother struct {
	means [4]*kernel.Mean
	n     int
}

func newSmoother(n int) smoother {
	s := smoother{n: n}
	for i := range s.means {
		s.means[i] = kernel.NewMean(n)
	}
	return s
}

func (s smoother) process(x []float64) {
	for _, m := range s.means {
		m.Process(x)
	}
}

// delay is in values.
func (s smoother) delay() int { return 2 * (s.n - 1) }

func (s smoother) reset() {
	for _, m := range s.means {
		m.Reset()
	}
}

package restore

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// Pops tells where breath strikes the microphone, quantum by quantum.
//
// It listens to a deep band, made by a low-pass of linear phase whose response is
// that of a mean over n values, to the fourth power: -9 dB at 35 Hz and below
// -45 dB from 70 Hz on. A voice has nothing there, since nothing in it lies
// below its pitch, and breath has most; so neither a low voice nor a shout from
// the chest counts. With L the deep band's level and S the highest median of it over half
// a second in the last 4 s, which a lorry moves and a pop doesn't, and V the level
// of the voice over the deep band within 30 ms, which hides what is far below it, a pop is where
//
//	L > max(S + 12, V - 22)
//
// L is plain RMS over 10 ms, the greatest of 20 ms.
type Pops struct {
	step     int
	deep     smoother // the band that is listened to, one value a control step
	mean     *kernel.Mean
	bridge   *kernel.Hold
	usual    *median      // one a hop
	rumble   *kernel.Hold // the greatest of that
	rumbleDB [1]float64
	wait     *kernel.Delay
	waits    int

	upper     smoother // what it takes away leaves the voice
	upperWait *kernel.Delay
	voiceMean *kernel.Mean
	voiceHold *kernel.Hold
	voiceWait *kernel.Delay

	control  []float64 // the sound, one value a control step
	levelsDB []float64
	limitsDB []float64
}

const (
	deepNullHz = 90.0 // first null of the deep band
	burstMS    = 10.0
	bridgeMS   = 20.0 // half a period of 25 Hz
	voiceMS    = 60.0 // 30 on either side
	hop        = 64   // control steps
	usualMS    = 500.0
	rumbleMS   = 4000.0
	overRumble = 12.0 // dB
	underVoice = 22.0 // dB
)

// NewPops listens at a rate that dsp.CheckRate takes, silence before.
func NewPops(rateHz float64) *Pops {
	step := dsp.ControlStep(rateHz)
	values := func() []float64 { return make([]float64, dsp.Quantum/step) }
	p := &Pops{step: step, control: values(), levelsDB: values(), limitsDB: values()}
	p.deep = newSmoother(odd(dsp.ControlRate(rateHz) / deepNullHz))
	usual := odd(usualMS / 1000 * dsp.ControlRate(rateHz) / hop)
	p.waits = usual / 2 * hop
	p.mean = kernel.NewMean(dsp.Controls(burstMS, rateHz))
	p.bridge = kernel.NewHold(dsp.Controls(bridgeMS, rateHz))
	p.usual = newMedian(usual)
	p.rumble = kernel.NewHold(dsp.Controls(rumbleMS, rateHz) / hop)
	p.wait = kernel.NewDelay(p.waits, dsp.Quantum/step)
	p.upper = newSmoother(odd(dsp.ControlRate(rateHz) / lowNullHz))
	p.upperWait = kernel.NewDelay(p.upper.delay(), dsp.Quantum/step)
	p.voiceMean = kernel.NewMean(dsp.Controls(burstMS, rateHz))
	p.voiceHold = kernel.NewHold(dsp.Controls(voiceMS, rateHz))
	// The hold looks ahead by half of it.
	p.voiceWait = kernel.NewDelay(p.waits+p.deep.delay()-p.upper.delay()-dsp.Controls(voiceMS/2-bridgeMS/2, rateHz), dsp.Quantum/step)
	return p
}

// Hear takes one quantum.
func (p *Pops) Hear(block []float64) {
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
	var rumbles [dsp.Quantum / 8 / hop]float64
	for h := range len(levels) / hop {
		r := p.rumbleDB[:]
		r[0] = p.usual.next(levels[(h+1)*hop-1])
		p.rumble.Process(r)
		kernel.PowersToDB(r, r)
		rumbles[h] = r[0] + overRumble
	}
	p.bridge.Process(levels)
	p.wait.Process(levels)
	kernel.PowersToDB(levels, levels)
	p.hearVoice()
	for i, voice := range p.limitsDB {
		p.limitsDB[i] = max(rumbles[i/hop], voice-underVoice)
	}
}

// hearVoice makes the level of what lies over the low band.
func (p *Pops) hearVoice() {
	voice := p.limitsDB
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

// LevelsDB are L in dBFS, one a control step of the quantum Latency before the
// last; LimitsDB what it is held against.
func (p *Pops) LevelsDB() []float64 { return p.levelsDB }

// LimitsDB are the greater of S + 12 and V - 22, as LevelsDB.
func (p *Pops) LimitsDB() []float64 { return p.limitsDB }

// Latency is in samples.
func (p *Pops) Latency() int { return (p.waits + p.deep.delay()) * p.step }

// Reset forgets all sound.
func (p *Pops) Reset() {
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
}

// odd is the odd number nearest to v.
func odd(v float64) int { return 2*int(math.Floor(v/2)) + 1 }

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

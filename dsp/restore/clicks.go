package restore

import (
	"cmp"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// ClicksSettings are the parameters of Clicks; see there.
type ClicksSettings struct {
	OverLocalDB float64
	LongestMS   float64
	MouthClicks bool
	Ticks       bool
}

// Clicks finds clicks and puts in their place what the sound around them would
// have been. A listener no longer hears the mouth between words, nor a spike or
// a jump of the recording; with too low a threshold a consonant loses its edge.
//
// Sound is modelled as x[n] = -Σ a[k]·x[n-k] + e[n], k from 1 to 23, over
// two quanta of the absolute grid. A click is what the residual e holds more of
// than what is around it, L being a level in dB, and what it hid is the u for
// which the residual over the gap is least:
//
//	mouth click:  L(2 ms, 2 to 10 kHz) ≥ L(around, within 40 ms) + over_local
//	tick:         L(a control step) ≥ L(25 ms on either side) + over_local
//	u:            Σ e² is least, over the gap and the 23 samples after it
//
// A mouth click is heard where nobody speaks: within 40 ms on either side, 150
// to 1000 Hz has to stay within 15 dB of its softest 10 ms of the last 1.5 s, and
// it falls by 13 dB within longest_ms; so a stop's burst, which is longer and
// leads to a voice or comes from one, is none. Its level is the residual's, by a
// model of the sound without it, or the sound's own. A tick may stand anywhere. It
// must stand 10 dB over every other moment within 25 ms, and a gap of 0.07 to
// 1.1 ms in its place must leave a residual like the one around: a spike or a jump
// that was added to the sound does, and the beat of the vocal folds, which sound
// grows out of, doesn't (Fox 1972).
//
// What holds no click keeps its bits.
//
// Parameters:
//   - OverLocalDB: how far over the residual around it a click stands, 6 to 30;
//     no default.
//   - LongestMS: the longest mouth click, 0.5 to 6; no default.
//   - MouthClicks, Ticks: which are mended; in a pause a short one is either.
//
// Latency: 42 ms and the longest click with 2 ms more, each in whole quanta, and
// one quantum: 4096 samples at 44.1 and 48 kHz, 6144 at 96 kHz.
//
// Source: Vaseghi and Rayner, "Detection and suppression of impulsive noise in
// speech communication systems", IEE Proc. I 137(1), 1990; Godsill and Rayner,
// Digital Audio Restoration, Springer 1998, chapter 5; Janssen, Veldhuis and
// Vries, IEEE Trans. ASSP 34(2), 1986; the two kinds of outlier: Fox, J. R.
// Stat. Soc. B 34(3), 1972. When a click is a mouth's is this project's own.
type Clicks struct {
	s           ClicksSettings
	overLocal   float64 // as a ratio of powers
	rateHz      float64
	step        int // samples a control step
	perQuantum  int // control steps
	aheadQuanta int // that a decision waits for
	backQuanta  int // that a repair reaches back

	x        []float64 // aheadQuanta+1 quanta, the one decided on, and as many
	model    *ar
	gap      *filler
	residual []float64 // one quantum
	scratch  []float64 // one quantum
	tones    *kernel.Cascade
	voice    *kernel.Cascade
	mean     *kernel.Mean
	softest  *kernel.Hold // of the inverse of voicePowers
	inverse  []float64

	// Powers, one value a control step, up to the quantum before the newest;
	// the voice's up to the newest.
	wholePowers []float64 // of the residual
	tonePowers  []float64 // of its part from 2 to 10 kHz
	voicePowers []float64 // of the sound from 150 to 1000 Hz, means of 10 ms

	mouth *mouth
	tried []float64 // what a gap held
	left  []float64 // residual of a tick
}

const (
	contextMS     = 40.0   // that a mouth click is judged by, on either side
	tickContextMS = 25.0   // and a tick
	softestMS     = 1500.0 // that the softest moment is looked for in
	voiceMeanMS   = 10.0
	settledMS     = 100.0 // rings of the filters
	// quietestVoice keeps digital silence from making a voice of room tone:
	// -78 dBFS.
	quietestVoice = 1.6e-8
	modelled      = 2 * dsp.Quantum
)

// NewClicks makes the processor, silence before it.
func NewClicks(s ClicksSettings, rateHz float64) (*Clicks, error) {
	err := cmp.Or(
		dsp.CheckRate(rateHz),
		dsp.Within("over_local_db", s.OverLocalDB, 6, 30),
		dsp.Within("longest_ms", s.LongestMS, 0.5, 6),
	)
	if err != nil {
		return nil, err
	}
	c := &Clicks{s: s, rateHz: rateHz, step: dsp.ControlStep(rateHz), overLocal: kernel.FromPowerDB(s.OverLocalDB)}
	c.perQuantum = dsp.Quantum / c.step
	c.aheadQuanta = int(math.Ceil((contextMS + shiftMS) / 1000 * rateHz / dsp.Quantum))
	c.backQuanta = int(math.Ceil((s.LongestMS + shiftMS) / 1000 * rateHz / dsp.Quantum))
	c.x = make([]float64, (2*c.aheadQuanta+3)*dsp.Quantum)
	c.model = newAR(modelled)
	longest := (2*c.controls(s.LongestMS) + 8) * c.step
	c.gap = newFiller(longest)
	c.tried = make([]float64, longest)
	c.left = make([]float64, tickLongest*c.step/8+arOrder)
	c.residual = make([]float64, dsp.Quantum)
	c.scratch = make([]float64, dsp.Quantum)
	c.inverse = make([]float64, c.perQuantum)
	n := (2*c.aheadQuanta + 2) * c.perQuantum
	c.wholePowers, c.tonePowers, c.voicePowers = make([]float64, n), make([]float64, n), make([]float64, n)
	tones, err := between(2000, min(10000, 0.4*rateHz), 24, rateHz)
	if err != nil {
		return nil, err
	}
	voice, err := between(150, 1000, 12, rateHz)
	if err != nil {
		return nil, err
	}
	c.tones, c.voice = kernel.NewCascade(tones), kernel.NewCascade(voice)
	c.mean = kernel.NewMean(c.controls(voiceMeanMS))
	c.softest = kernel.NewHold(c.controls(softestMS))
	c.mouth = newMouth(tones, c.controls(contextMS), c.step)
	return c, nil
}

// between is a band by a high-pass and a low-pass.
func between(lowHz, highHz float64, slope int, rateHz float64) ([]kernel.Biquad, error) {
	high, err := filter.Highpass(lowHz, slope, rateHz)
	if err != nil {
		return nil, err
	}
	low, err := filter.Lowpass(highHz, slope, rateHz)
	return append(high, low...), err
}

func (c *Clicks) controls(ms float64) int { return dsp.Controls(ms, c.rateHz) }

// Settle is the number of samples after which a cold start is within -60 dB of
// a warm one.
func (s ClicksSettings) Settle(rateHz float64) int {
	return int((softestMS+voiceMeanMS+2*contextMS+settledMS)/1000*rateHz) + 4*dsp.Quantum
}

// Process mends one quantum in place.
func (c *Clicks) Process(block []float64) {
	copy(c.x, c.x[dsp.Quantum:])
	copy(c.x[len(c.x)-dsp.Quantum:], block)
	softest := c.hearVoice(block)
	c.hearResidual()

	from := len(c.wholePowers) - (c.aheadQuanta+1)*c.perQuantum
	if c.s.MouthClicks { // first, and further on: a tick is no mouth click's beginning
		first := from + c.controls(shiftMS)
		for i := first; i < first+c.perQuantum; i++ {
			if greatest(c.tonePowers, i, c.controls(c.s.LongestMS)) {
				c.mendMouth(i, softest)
			}
		}
	}
	if c.s.Ticks {
		for i := from; i < from+c.perQuantum; i++ {
			if greatest(c.wholePowers, i, c.controls(tickReachMS)) {
				c.mendTick(i)
			}
		}
	}
	copy(block, c.x[(c.aheadQuanta+1-c.backQuanta)*dsp.Quantum:])
}

// hearVoice takes the newest quantum and tells how soft the voice's band was
// at its softest.
func (c *Clicks) hearVoice(block []float64) (softest float64) {
	p := next(c.voicePowers, c.perQuantum)
	copy(c.scratch, block)
	c.voice.Process(c.scratch)
	kernel.Powers(p, c.scratch, c.step)
	c.mean.Process(p)
	const leastPower = 1e-20
	for i, v := range p {
		c.inverse[i] = 1 / (v + leastPower)
	}
	c.softest.Process(c.inverse)
	return max(quietestVoice, 1/c.inverse[len(p)-1])
}

// hearResidual models the quantum before the newest, half a quantum more on
// either side.
func (c *Clicks) hearResidual() {
	at := len(c.x) - 2*dsp.Quantum
	c.model.fit(c.x[at-dsp.Quantum/2:][:modelled])
	c.model.residual(c.residual, c.x, at)
	kernel.Powers(next(c.wholePowers, c.perQuantum), c.residual, c.step)
	c.tones.Process(c.residual)
	kernel.Powers(next(c.tonePowers, c.perQuantum), c.residual, c.step)
}

// next moves v on by n values and gives the room for them.
func next(v []float64, n int) []float64 {
	copy(v, v[n:])
	return v[len(v)-n:]
}

// sample is where in x control step i of the residual's powers begins.
func (c *Clicks) sample(i int) int {
	return len(c.x) - dsp.Quantum - (len(c.wholePowers)-i)*c.step
}

// refit models two quanta around a control step.
func (c *Clicks) refit(i int) {
	at := c.sample(i) + c.step/2 - modelled/2
	c.model.fit(c.x[at : at+modelled])
}

// fill puts into x[from:to] what the sound around control step i tells. The
// model is made again with what it filled in, once (Janssen et al.).
func (c *Clicks) fill(i, from, to int) {
	clear(c.x[from:to])
	for range 2 {
		c.refit(i)
		c.gap.fill(c.model, c.x, from, to)
	}
}

// mended lowers the residual's powers from..to to what is around, so that no
// other click is judged by one that is gone.
func (c *Clicks) mended(from, to int, whole, tones float64) {
	for k := from; k < to; k++ {
		c.wholePowers[k] = min(c.wholePowers[k], whole)
		c.tonePowers[k] = min(c.tonePowers[k], tones)
	}
}

// greatest tells whether v[i] is the greatest within reach, of equals the first.
func greatest(v []float64, i, reach int) bool {
	p := v[i]
	if p == 0 {
		return false
	}
	for _, other := range v[i-reach : i] {
		if other >= p {
			return false
		}
	}
	for _, other := range v[i+1 : i+1+reach] {
		if other > p {
			return false
		}
	}
	return true
}

// around is the mean and the greatest of the reach values before from and the
// reach values from to on.
func around(v []float64, from, to, reach int) (mean, most float64) {
	for _, part := range [2][]float64{v[from-reach : from], v[to : to+reach]} {
		for _, p := range part {
			mean += p
			if p > most {
				most = p
			}
		}
	}
	return mean / float64(2*reach), most
}

// Latency is in samples.
func (c *Clicks) Latency() int { return (c.aheadQuanta + 1 + c.backQuanta) * dsp.Quantum }

// Reset forgets all sound.
func (c *Clicks) Reset() {
	for _, v := range [][]float64{c.x, c.wholePowers, c.tonePowers, c.voicePowers} {
		clear(v)
	}
	c.tones.Reset()
	c.voice.Reset()
	c.mean.Reset()
	c.softest.Reset()
}

package dynamics

import (
	"cmp"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// DeEsserSettings are a de-esser's parameters; see DeEsser.
type DeEsserSettings struct {
	FromHz, ToHz          float64
	ThresholdOverSpeechDB float64
	MaxCutDB              float64
	AttackMS              float64
	ReleaseMS             float64
	Wide                  bool
}

// A DeEsser takes the sting out of esses: while the band they live in is loud
// against the voice, it turns that band down, and nothing else; wide, it turns the
// whole voice down, for as long. A listener
// hears softer esses in a whisper and in a shout alike; with too much, an ess
// becomes a lisp.
//
// The band's level, plain RMS over 5 ms, is taken relative to the running speech
// level: that of the vowels in the last third of a second, by the part of them
// that rises and falls as esses do. A raised voice gains most over 500 Hz, its
// esses don't; so it goes by its level under that. A whisper has nothing there, and
// goes by its level from 2.5 to 4.5 kHz, 18 dB up. The level is kept through esses,
// breaths and pauses of up to 2 s. While no
// speech has been heard for longer, nothing is cut. What is over the threshold
// is taken away, through a knee of 6 dB, down to the greatest cut:
//
//	wanted gain = -(relative level - threshold), within -MaxCutDB to 0
//	gain        = wanted + a·(gain - wanted),  a = exp(-1/(τ·control rate))
//	output      = A·x + (gain - 1)·B·x,  |B| = 1 at the band's centre
//	wide: output = gain·A·x
//
// An ess has its energy over 5.5 kHz and a "sh" under it, which is spared: the
// wanted gain is taken by a share that runs from 0 to 1 while the power from 5.5
// to 10 kHz runs from 3 dB under that from 2.5 to 4.5 kHz to 3 dB over it.
//
// Behind another de-esser (see Follow) it stands back in every ess in which that
// one works: it adds 30 % of the other's cut at most, and no more than the
// larger of both ranges together. Where the bands overlap, its threshold is the
// higher of both, so that it doesn't take what the other let pass.
//
// B is a band-pass of 48 dB per octave whose phase is that of the all-pass A:
// with Ω = tan(πf/fs), |B| ~ 1/(1 + (Ωfrom/Ω)⁸)(1 + (Ω/Ωto)⁸). So the cut is
// MaxCutDB at most in the band's middle; at the edges of an octave 45 % of 6 dB and
// 25 % of 24 dB, of a narrower band more; below 0.1 dB an octave outside. At rest
// only A is left, flat in level.
//
// Parameters:
//   - FromHz, ToHz: the band, 2000 to 0.45 of the rate, ToHz at least 1.25
//     FromHz; usual 5000 to 10000; no default.
//   - ThresholdOverSpeechDB: -40 to 20; no default.
//   - MaxCutDB: 0 to 24; no default.
//   - AttackMS: 63.2 % of a fall of the gain in dB, 0 to 50; no default.
//   - ReleaseMS: 63.2 % of a rise, 1 to 150; no default.
//   - Wide: whether the whole voice is turned down; default false.
//
// Latency: what A delays the voice below the band: 0.23 ms for 5 to 10 kHz at
// 44.1 kHz, 0.75 ms for the lowest and narrowest band.
//
// Source: the recombination is that of Linkwitz and Riley (Linkwitz, JAES
// 24(1), 1976) with Butterworth halves of fourth order; that consonants rise less
// than vowels with vocal effort is from Fairbanks and Miron, JASA 29(5), 1957; the
// running speech level is this project's own.
type DeEsser struct {
	step      int
	part      *part
	below     *kernel.Cascade
	low       *kernel.Cascade
	latency   int
	set       DeEsserSettings
	rateHz    float64
	sibilance *sibilance
	ahead     []ahead // de-essers before it

	bandMean *kernel.Mean
	speech   *speechLevel
	curve    kernel.Curve
	smooth   *kernel.Smooth
	ramp     *kernel.Ramp

	inBand, belowBand, lowBand []float64 // a quantum each
	powers                     []float64 // one value a control step, as the following
	gainsDB, gains             []float64
}

const (
	essWindowMS = 5
	essKneeDB   = 6
)

// NewDeEsser makes a de-esser at rest.
func NewDeEsser(s DeEsserSettings, rateHz float64) (*DeEsser, error) {
	const highestShare, narrowest = 0.45, 1.25
	err := cmp.Or(
		dsp.CheckRate(rateHz),
		dsp.Within("from_hz", s.FromHz, 2000, highestShare/narrowest*rateHz),
		dsp.Within("to_hz", s.ToHz, narrowest*s.FromHz, highestShare*rateHz),
		dsp.Within("threshold_over_speech_db", s.ThresholdOverSpeechDB, -40, 20),
		dsp.Within("max_cut_db", s.MaxCutDB, 0, 24),
		dsp.Within("attack_ms", s.AttackMS, 0, 50),
		dsp.Within("release_ms", s.ReleaseMS, 1, 150),
	)
	if err != nil {
		return nil, err
	}
	part, err := newPart(s.FromHz, s.ToHz, rateHz)
	if err != nil {
		return nil, err
	}
	// Half an octave lower, so that the lower skirt of an ess is left out.
	below, err := filter.Lowpass(s.FromHz/math.Sqrt2, 24, rateHz)
	if err != nil {
		return nil, err
	}
	low, err := filter.Lowpass(voiceToHz, 24, rateHz)
	if err != nil {
		return nil, err
	}
	step := dsp.ControlStep(rateHz)
	n := dsp.Quantum / step
	sibilance, err := newSibilance(n, rateHz)
	if err != nil {
		return nil, err
	}
	rest := 0.0
	if s.Wide {
		rest = 1
	}
	return &DeEsser{
		set:       s,
		rateHz:    rateHz,
		sibilance: sibilance,
		step:      step,
		part:      part,
		below:     kernel.NewCascade(below),
		low:       kernel.NewCascade(low),
		latency:   int(math.Floor(part.delay + 0.5)),
		bandMean:  kernel.NewMean(dsp.Controls(essWindowMS, rateHz)),
		speech:    newSpeechLevel(n, rateHz),
		curve:     kernel.Compression(s.ThresholdOverSpeechDB, math.Inf(1), essKneeDB, s.MaxCutDB),
		smooth:    kernel.NewSmooth(s.AttackMS, s.ReleaseMS, 0, dsp.ControlRate(rateHz)),
		ramp:      kernel.NewRamp(step, rest),
		inBand:    make([]float64, dsp.Quantum),
		belowBand: make([]float64, dsp.Quantum),
		lowBand:   make([]float64, dsp.Quantum),
		powers:    make([]float64, n),
		gainsDB:   make([]float64, n),
		gains:     make([]float64, n),
	}, nil
}

// Settle is the number of samples after which a cold start is within -60 dB of
// a warm one: the memory of the running speech level, and 300 ms that the
// smoothing may lag behind it.
func (s DeEsserSettings) Settle(rateHz float64) int {
	const lagMS = 300
	return frames(speechSettleMS()+essWindowMS+lagMS, rateHz)
}

// Process de-esses one quantum in place.
func (d *DeEsser) Process(block []float64) {
	copy(d.inBand, block)
	copy(d.belowBand, block)
	d.sibilance.compare(d.inBand, d.belowBand, d.step)
	copy(d.belowBand, block)
	copy(d.lowBand, block)
	d.low.Process(d.lowBand)
	d.below.Process(d.belowBand)
	d.part.split(block, d.inBand)

	kernel.Powers(d.powers, d.inBand, d.step)
	d.bandMean.Process(d.powers)
	kernel.PowersToDB(d.gainsDB, d.powers)
	d.speech.process(d.belowBand, d.lowBand, d.sibilance.shPowers, d.step, d.powers, d.gainsDB)
	d.curve.GainsDB(d.gainsDB, d.gainsDB)
	for i, share := range d.sibilance.shares {
		d.gainsDB[i] = float64(d.gainsDB[i] * share)
	}
	d.smooth.Process(d.gainsDB)
	for i := range d.ahead {
		d.ahead[i].limit(d.gainsDB, d.set.MaxCutDB)
	}
	kernel.DBToAmplitudes(d.gains, d.gainsDB)

	if d.set.Wide {
		d.ramp.Process(block, d.gains)
		return
	}
	d.part.add(block, d.inBand, d.gains, d.ramp)
}

// Latency is the delay of the all-pass below the band, in samples.
func (d *DeEsser) Latency() int { return d.latency }

// Reset puts the de-esser at rest.
func (d *DeEsser) Reset() {
	d.part.reset()
	d.below.Reset()
	d.low.Reset()
	d.bandMean.Reset()
	d.speech.reset()
	d.smooth.Reset()
	d.ramp.Reset()
	d.sibilance.reset()
	for i := range d.ahead {
		d.ahead[i].reset()
	}
	clear(d.gainsDB)
}

// GainsDB is the gain at the band's centre in the last quantum, one value a
// control step.
func (d *DeEsser) GainsDB() []float64 { return d.gainsDB }

package dynamics

import (
	"cmp"
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// ExpanderBand is one band of an expander; see Expander.
type ExpanderBand struct {
	ThresholdDBFS float64
	Ratio         float64
	RangeDB       float64
}

// ExpanderSettings are an expander's parameters; see Expander.
type ExpanderSettings struct {
	CrossoversHz []float64
	Bands        []ExpanderBand // one more than CrossoversHz
	KneeDB       float64
	LookAheadMS  float64
	AttackMS     float64
	HoldMS       float64
	ReleaseMS    float64
	HysteresisDB float64
}

// An Expander makes pauses quieter: what is below a threshold is turned down
// further, band by band, by a range at most. A listener hears less room
// between the words and no change in them; with too high a threshold or too
// steep a ratio, word ends are cut off and the room pumps.
//
// Each band's level is plain RMS over the last 20 ms, at its greatest of the
// hold. With x that level, d = threshold - x and W the knee:
//
//	wanted gain = 0                                2d < -W
//	            = -(ratio - 1)(d + W/2)²/2W        |2d| ≤ W
//	            = -(ratio - 1)d                    2d > W,  never below -range
//	gain        = wanted + a·(gain - wanted),  a = exp(-1/(τ·control rate))
//
// τ is the attack while the gain rises (opens), the release while it falls.
// Once x has reached the threshold, the threshold is lower by the hysteresis
// until x falls below that too, at most for 2 s after x was last above the
// upper one, so that nothing depends on what was long ago. It starts closed, as
// after silence.
//
// Open, one band gives the bits of its input back, late by the latency; more
// bands sum to the all-pass of the crossover, flat in level within 0.01 dB.
//
// Parameters:
//   - CrossoversHz: none to three, as filter.NewCrossover; no default.
//   - Bands: one more, lowest first. ThresholdDBFS: -120 to 0, plain RMS in
//     the band; steady noise reads up to 6 dB over its RMS below 160 Hz, 4 dB
//     up to 2 kHz and 1.5 dB above, so 6 to 8 dB over the room tone stay
//     closed. Ratio: 1 to 100. RangeDB: the most it takes, 0 to 80. No defaults.
//   - KneeDB: the width of the knee, 0 (hard, the default) to 24.
//   - LookAheadMS: how much earlier than the word it opens, 0 to 50; no default.
//   - AttackMS: 63.2 % of a rise of the gain in dB, 0 to 200; no default.
//   - HoldMS: how long it stays as open as it was, 0 to 1000; no default.
//   - ReleaseMS: 63.2 % of a fall, 1 to 450; no default.
//   - HysteresisDB: 0 (the default) to 12.
//
// Latency: LookAheadMS, rounded up to whole control steps.
//
// Source: the curve of Giannoulis, Massberg and Reiss (JAES 60(6), 2012,
// equation 4) mirrored; range, hold and hysteresis are common practice.
type Expander struct {
	crossover *filter.Crossover // nil for one band
	bands     []expanderBand
	signals   [][]float64 // one quantum a band; the only one is the block itself
	latency   int
	deepestDB []float64
	gains     []float64
}

// expanderBand is one band's own state.
type expanderBand struct {
	detector     *detector
	thresholdDB  float64
	hysteresisDB float64
	patience     int // control steps that the lower threshold outlasts the upper one
	open         int // how many of them are left
	curve        kernel.Curve
	smooth       *kernel.Smooth
	delay        *kernel.Delay
	ramp         *kernel.Ramp
	gainsDB      []float64
}

// hysteresisMS is how long the lower threshold outlasts the upper one.
const hysteresisMS = 2000

// NewExpander makes an expander at rest.
func NewExpander(s ExpanderSettings, rateHz float64) (*Expander, error) {
	if err := s.check(rateHz); err != nil {
		return nil, err
	}
	step := dsp.ControlStep(rateHz)
	n := dsp.Quantum / step
	e := &Expander{deepestDB: make([]float64, n), gains: make([]float64, n)}
	if s.LookAheadMS > 0 {
		e.latency = dsp.Controls(s.LookAheadMS, rateHz) * step
	}
	for _, b := range s.Bands {
		curve := kernel.Expansion(b.ThresholdDBFS, b.Ratio, s.KneeDB, b.RangeDB)
		closedDB := curve.GainDB(kernel.SilenceDB)
		e.bands = append(e.bands, expanderBand{
			detector:     newRMSDetector(rmsWindowMS, s.HoldMS+s.LookAheadMS, rateHz),
			thresholdDB:  b.ThresholdDBFS,
			hysteresisDB: s.HysteresisDB,
			patience:     dsp.Controls(hysteresisMS, rateHz),
			curve:        curve,
			smooth:       kernel.NewSmooth(s.ReleaseMS, s.AttackMS, closedDB, dsp.ControlRate(rateHz)),
			delay:        kernel.NewDelay(e.latency, dsp.Quantum),
			ramp:         kernel.NewRamp(step, kernel.FromDB(closedDB)),
			gainsDB:      make([]float64, n),
		})
		e.signals = append(e.signals, make([]float64, dsp.Quantum))
	}
	if len(s.CrossoversHz) > 0 {
		var err error
		if e.crossover, err = filter.NewCrossover(s.CrossoversHz, rateHz); err != nil {
			return nil, err
		}
	}
	e.Reset()
	return e, nil
}

func (s ExpanderSettings) check(rateHz float64) error {
	if n := len(s.Bands); n < 1 || n > 4 || n != len(s.CrossoversHz)+1 {
		return fmt.Errorf("bands has %d entries and crossovers_hz %d, it must be 1 to 4 bands, one more than crossovers", n, len(s.CrossoversHz))
	}
	for i, b := range s.Bands {
		key := func(name string) string { return fmt.Sprintf("bands[%d].%s", i, name) }
		err := cmp.Or(
			dsp.Within(key("threshold_dbfs"), b.ThresholdDBFS, -120, 0),
			dsp.Within(key("ratio"), b.Ratio, 1, 100),
			dsp.Within(key("range_db"), b.RangeDB, 0, 80),
		)
		if err != nil {
			return err
		}
	}
	return cmp.Or(
		dsp.CheckRate(rateHz),
		dsp.Within("knee_db", s.KneeDB, 0, 24),
		dsp.Within("look_ahead_ms", s.LookAheadMS, 0, 50),
		dsp.Within("attack_ms", s.AttackMS, 0, 200),
		dsp.Within("hold_ms", s.HoldMS, 0, 1000),
		dsp.Within("release_ms", s.ReleaseMS, 1, 450),
		dsp.Within("hysteresis_db", s.HysteresisDB, 0, 12),
	)
}

// Settle is the number of samples after which a cold start is within -60 dB of
// a warm one.
func (s ExpanderSettings) Settle(rateHz float64) int {
	ms := s.LookAheadMS + rmsWindowMS + s.HoldMS + s.LookAheadMS
	if s.HysteresisDB > 0 {
		ms += hysteresisMS
	}
	deepest := 0.0
	for _, b := range s.Bands {
		deepest = max(deepest, b.RangeDB)
	}
	ms += smoothingMS(deepest, max(s.AttackMS, s.ReleaseMS))
	if len(s.CrossoversHz) > 0 {
		ms += 4000 / s.CrossoversHz[0] // the ringing of the lowest split, down by 70 dB
	}
	return frames(ms, rateHz)
}

// Process expands one quantum in place.
func (e *Expander) Process(block []float64) {
	if e.crossover == nil {
		e.bands[0].process(block, e.gains)
		copy(e.deepestDB, e.bands[0].gainsDB)
		return
	}
	e.crossover.Split(block, e.signals)
	for i := range e.bands {
		b := &e.bands[i]
		b.process(e.signals[i], e.gains)
		if i == 0 {
			copy(block, e.signals[0])
			copy(e.deepestDB, b.gainsDB)
			continue
		}
		for k, v := range e.signals[i] {
			block[k] += v
		}
		for k, g := range b.gainsDB {
			if g < e.deepestDB[k] {
				e.deepestDB[k] = g
			}
		}
	}
}

// process expands one band in place; gains is room to work in.
func (b *expanderBand) process(x, gains []float64) {
	b.detector.process(b.gainsDB, x)
	for i, level := range b.gainsDB {
		switch {
		case level >= b.thresholdDB:
			b.open = b.patience
		case level < b.thresholdDB-b.hysteresisDB:
			b.open = 0
		case b.open > 0:
			b.open--
		}
		if b.open > 0 {
			level += b.hysteresisDB
		}
		b.gainsDB[i] = b.curve.GainDB(level)
	}
	b.smooth.Process(b.gainsDB)
	kernel.DBToAmplitudes(gains, b.gainsDB)
	b.delay.Process(x)
	b.ramp.Process(x, gains)
}

// Latency is the look-ahead in samples.
func (e *Expander) Latency() int { return e.latency }

// Reset closes the expander, as after silence.
func (e *Expander) Reset() {
	if e.crossover != nil {
		e.crossover.Reset()
	}
	for i := range e.bands {
		b := &e.bands[i]
		b.detector.reset()
		b.smooth.Reset()
		b.delay.Reset()
		b.ramp.Reset()
		b.open = 0
		clear(b.gainsDB)
	}
	clear(e.deepestDB)
}

// GainsDB is the gain of the deepest band in the last quantum, one value a
// control step.
func (e *Expander) GainsDB() []float64 { return e.deepestDB }

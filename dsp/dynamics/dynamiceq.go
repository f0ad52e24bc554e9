package dynamics

import (
	"cmp"
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// An EQBand is one band of an eq: sections that stand, or that come in by level.
type EQBand struct {
	Sections []kernel.Biquad // the band at its full gain
	Movement *Movement       // nil: it stands
}

// A Movement is how a band's gain goes with level; see DynamicEQ.
type Movement struct {
	Listen        []kernel.Biquad // to the band's own range, 0 dB at its middle
	GainDB        float64         // of the sections where they do most
	ThresholdDBFS float64
	Under         bool
	FloorDBFS     float64
	AttackMS      float64
	ReleaseMS     float64
}

const (
	movementKneeDB  = 6
	largestMoveDB   = 24
	largestMoveUpDB = 12
)

// A DynamicEQ is an eq whose bands come in only when they are wanted: a nasal ring
// is cut while it rings, a thin voice gets weight while it is thin. A listener
// hears the same voice with one fault less; too much of it sounds unsteady.
//
// A dynamic band listens to its own range, plain RMS over 20 ms. With d the dB that
// this level is past the threshold, over or under it, after a knee of 6 dB, G the
// band's full gain as a ratio and H its response there:
//
//	wanted gain = ±min(|gain|, d);  a lift never more than the level is over the floor
//	gain        = wanted + a·(gain - wanted),  a = exp(-1/(τ·control rate))
//	output      = x + (10^(gain/20) - 1)/(G - 1)·(H·x - x)
//
// τ is the attack while the gain moves away from 0 dB, the release while it comes
// back. H does not move, so that nothing can become unstable: at rest the band
// gives the bits of its input, at full gain it is the static band, between them
// the gain in its middle is the one above.
//
// Parameters of a dynamic band:
//   - GainDB: the most it does, -24 to 12, and that of its sections where they
//     do most, as a bell does at its centre; no default. 0 does nothing.
//   - ThresholdDBFS: -120 to 0; a sine in the middle of the band counts with its
//     plain RMS; no default.
//   - Under: it moves while the level is under the threshold instead of over it.
//   - FloorDBFS: what is not over this level is not lifted, so that a pause isn't:
//     common practice 8 dB over the room tone in the band; -Inf: none.
//   - AttackMS: 63.2 % of a move away from 0 dB, 0 to 500; no default. It begins as
//     the window of 20 ms fills.
//   - ReleaseMS: 63.2 % of the way back, 1 to 800; no default.
//
// Latency: none.
//
// Source: Zölzer, "DAFX: Digital Audio Effects", 2011, chapter 2: a bell is its
// input and a weighted band-pass; here it is written for any shape. Curve and
// smoothing: Giannoulis, Massberg and Reiss, JAES 60(6), 2012, equations 4 and 16.
type DynamicEQ struct {
	steps   []eqStep
	gainsDB []float64
	shaped  []float64
}

// An eqStep is static sections or one dynamic band.
type eqStep struct {
	sections *kernel.Cascade
	moving   *movingBand // nil: the sections stand
}

type movingBand struct {
	listen   *kernel.Cascade
	detector *detector
	curve    kernel.Curve // of the distance from 0 dB, as a negative gain
	floorDB  float64
	lifts    bool
	perFull  float64 // 1/(G - 1)
	smooth   *kernel.Smooth
	ramp     *kernel.Ramp
	levelsDB []float64
	movesDB  []float64
	shares   []float64
}

// NewDynamicEQ makes an eq of bands in their order, at rest.
func NewDynamicEQ(bands []EQBand, rateHz float64) (*DynamicEQ, error) {
	if err := dsp.CheckRate(rateHz); err != nil {
		return nil, err
	}
	e := &DynamicEQ{gainsDB: make([]float64, dsp.Quantum/dsp.ControlStep(rateHz)), shaped: make([]float64, dsp.Quantum)}
	var standing []kernel.Biquad
	stand := func() {
		if len(standing) > 0 {
			e.steps = append(e.steps, eqStep{sections: kernel.NewCascade(standing)})
			standing = nil
		}
	}
	for i, b := range bands {
		switch {
		case b.Movement == nil:
			standing = append(standing, b.Sections...)
		case b.Movement.GainDB == 0:
		default:
			m, err := newMovingBand(*b.Movement, rateHz)
			if err != nil {
				return nil, fmt.Errorf("bands[%d]: %w", i, err)
			}
			stand()
			e.steps = append(e.steps, eqStep{kernel.NewCascade(b.Sections), m})
		}
	}
	stand()
	return e, nil
}

func newMovingBand(s Movement, rateHz float64) (*movingBand, error) {
	err := cmp.Or(
		dsp.Within("gain_db", s.GainDB, -largestMoveDB, largestMoveUpDB),
		dsp.Within("threshold_dbfs", s.ThresholdDBFS, -120, 0),
		dsp.Within("attack_ms", s.AttackMS, 0, 500),
		dsp.Within("release_ms", s.ReleaseMS, 1, 800),
	)
	if err != nil {
		return nil, err
	}
	step := dsp.ControlStep(rateHz)
	n := dsp.Quantum / step
	m := &movingBand{
		listen:   kernel.NewCascade(s.Listen),
		detector: newRMSDetector(rmsWindowMS, 0, rateHz),
		floorDB:  s.FloorDBFS,
		lifts:    s.GainDB > 0,
		perFull:  1 / (kernel.FromDB(s.GainDB) - 1),
		smooth:   kernel.NewSmooth(s.AttackMS, s.ReleaseMS, 0, dsp.ControlRate(rateHz)),
		ramp:     kernel.NewRamp(step, 0),
		levelsDB: make([]float64, n),
		movesDB:  make([]float64, n),
		shares:   make([]float64, n),
	}
	m.curve = kernel.Compression(s.ThresholdDBFS, math.Inf(1), movementKneeDB, math.Abs(s.GainDB))
	if s.Under {
		m.curve = kernel.Expansion(s.ThresholdDBFS, 2, movementKneeDB, math.Abs(s.GainDB))
	}
	return m, nil
}

// Settle is the number of samples after which a cold start of the movement is
// within -60 dB of a warm one, beside what its filters remember.
func (s Movement) Settle(rateHz float64) int {
	return frames(rmsWindowMS+smoothingMS(math.Abs(s.GainDB), max(s.AttackMS, s.ReleaseMS)), rateHz)
}

// Process equalises one quantum in place.
func (e *DynamicEQ) Process(block []float64) {
	clear(e.gainsDB)
	for _, s := range e.steps {
		m := s.moving
		if m == nil {
			s.sections.Process(block)
			continue
		}
		m.move(block, e.shaped)
		for i, g := range m.movesDB {
			if math.Abs(g) > math.Abs(e.gainsDB[i]) {
				e.gainsDB[i] = g
			}
		}
		copy(e.shaped, block)
		s.sections.Process(e.shaped)
		for i, v := range block {
			e.shaped[i] -= v
		}
		m.ramp.Process(e.shaped, m.shares)
		for i, v := range e.shaped {
			block[i] += v
		}
	}
}

// move works out the band's gains; heard is room to work in.
func (m *movingBand) move(block, heard []float64) {
	copy(heard, block)
	m.listen.Process(heard)
	m.detector.process(m.levelsDB, heard)
	m.curve.GainsDB(m.movesDB, m.levelsDB)
	if m.lifts {
		for i, level := range m.levelsDB {
			m.movesDB[i] = max(m.movesDB[i], min(0, m.floorDB-level))
		}
	}
	m.smooth.Process(m.movesDB)
	if m.lifts {
		for i, g := range m.movesDB {
			m.movesDB[i] = 0 - g
		}
	}
	kernel.DBToAmplitudes(m.shares, m.movesDB)
	for i, g := range m.shares {
		m.shares[i] = float64((g - 1) * m.perFull)
	}
}

// Latency is 0.
func (e *DynamicEQ) Latency() int { return 0 }

// Reset puts the eq at rest.
func (e *DynamicEQ) Reset() {
	for _, s := range e.steps {
		s.sections.Reset()
		if m := s.moving; m != nil {
			m.listen.Reset()
			m.detector.reset()
			m.smooth.Reset()
			m.ramp.Reset()
			clear(m.movesDB)
		}
	}
	clear(e.gainsDB)
}

// GainsDB is the gain of the band that moves most in the last quantum, one value
// a control step: negative for a cut, positive for a lift.
func (e *DynamicEQ) GainsDB() []float64 { return e.gainsDB }

package dynamics

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

const (
	// speechTauMS weighs the voiced past of a running speech level.
	speechTauMS = 300.0
	// speechMemoryMS is how far back the gate looks for the loudest and the
	// softest moment, and how long the level is known after the last voice.
	speechMemoryMS = 2000.0
	// speechEnough is the weight, of 1 in steady voice, that makes a level: it
	// takes about 50 ms. A click or a passing likeness doesn't.
	speechEnough = 0.15

	underLoudest = 0.01 // -20 dB: breaths, reverberation
	overSoftest  = 10   // +10 dB: what never moves is not speech
	overBand     = 4    // +6 dB: a voice has more below the esses' band than in it
)

// A speechLevel is the level in dB of the voice at present: the mean over the
// voiced moments of the last third of a second or so. Pauses, breaths and esses
// don't count and so don't pull it down; everything is relative, so that a
// louder recording gives the same decisions.
//
//	level = max(u, Σ w·v / Σ w),  w = exp(-age/300 ms) if voiced, else 0
//
// v is plain RMS over 20 ms below the esses' band, u over 5 ms. Voiced is what is less than
// 20 dB below the loudest v of the last 2 s, more than 10 dB above the softest,
// and more than 6 dB above the level in the esses' band. The weights age in real
// time: after a pause, new words count at once. u serves a voice that has just
// become louder.
type speechLevel struct {
	mean     *kernel.Mean
	brief    *kernel.Mean
	loudest  *kernel.Hold // of the power
	softest  *kernel.Hold // of its inverse; before the first value nothing is soft
	known    *kernel.Hold // of Σ w
	powers   []float64    // one value a control step, as all that follow
	greatest []float64
	inverse  []float64
	levelsDB []float64
	briefDB  []float64
	weights  []float64

	age            float64
	weighted, kept float64 // Σ w·v and Σ w, in shares of steady voice
}

func newSpeechLevel(controlsPerQuantum int, rateHz float64) *speechLevel {
	memory := dsp.Controls(speechMemoryMS, rateHz)
	values := func() []float64 { return make([]float64, controlsPerQuantum) }
	return &speechLevel{
		mean:     kernel.NewMean(dsp.Controls(rmsWindowMS, rateHz)),
		brief:    kernel.NewMean(dsp.Controls(essWindowMS, rateHz)),
		loudest:  kernel.NewHold(memory),
		softest:  kernel.NewHold(memory),
		known:    kernel.NewHold(memory),
		powers:   values(),
		greatest: values(),
		inverse:  values(),
		levelsDB: values(),
		briefDB:  values(),
		weights:  values(),
		age:      kernel.OnePole(speechTauMS, dsp.ControlRate(rateHz)),
	}
}

// process takes a quantum of the signal below the band and the powers in the
// band, and makes bandDB, their levels, relative to the speech level: -Inf
// where that is unknown.
func (s *speechLevel) process(below []float64, step int, bandPowers, bandDB []float64) {
	const leastPower = 1e-24 // the inverse stays finite
	kernel.Powers(s.powers, below, step)
	copy(s.briefDB, s.powers)
	s.mean.Process(s.powers)
	s.brief.Process(s.briefDB)
	for i, p := range s.powers {
		s.greatest[i] = p
		s.inverse[i] = 1 / (p + leastPower)
	}
	s.loudest.Process(s.greatest)
	s.softest.Process(s.inverse)
	kernel.PowersToDB(s.levelsDB, s.powers)
	kernel.PowersToDB(s.briefDB, s.briefDB)

	for i, p := range s.powers {
		s.weighted = float64(s.age * s.weighted)
		s.kept = float64(s.age * s.kept)
		voiced := p > underLoudest*s.greatest[i] && p*s.inverse[i] > overSoftest && p > overBand*bandPowers[i]
		if voiced {
			s.weighted += float64((1 - s.age) * s.levelsDB[i])
			s.kept += 1 - s.age
		}
		s.weights[i] = s.kept
		s.levelsDB[i] = s.briefDB[i]
		if s.kept > 0 {
			s.levelsDB[i] = max(s.briefDB[i], s.weighted/s.kept)
		}
	}
	const forgotten = 1e-30
	if s.kept < forgotten {
		s.weighted, s.kept = 0, 0
	}

	s.known.Process(s.weights)
	for i, w := range s.weights {
		if w < speechEnough {
			bandDB[i] = math.Inf(-1)
			continue
		}
		bandDB[i] -= s.levelsDB[i]
	}
}

func (s *speechLevel) reset() {
	s.mean.Reset()
	s.brief.Reset()
	s.loudest.Reset()
	s.softest.Reset()
	s.known.Reset()
	s.weighted, s.kept = 0, 0
}

// speechSettleMS is how long a speech level remembers: the gate's memory, then
// until what was before weighs so little, against the least weight with which
// the level is still known, that a difference of 100 dB is below settledDB.
func speechSettleMS() float64 {
	const keptForTaus = speechMemoryMS / speechTauMS
	return rmsWindowMS + speechMemoryMS + float64(speechTauMS*(keptForTaus+kernel.Log(100/(speechEnough*settledDB))))
}

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

	// voiceToHz is where the part of a voice ends that rises as little as its
	// esses when it is raised.
	voiceToHz = 500
	// whisperUpDB is what a whisper lacks from shFromHz to shToHz against that
	// part in speech with esses as loud.
	whisperUpDB = 18
	// Speech has 20 dB more below than there, a shout 8, a whisper -5.
	whisperBelowDB, whisperFadeDB = 2, 3
)

// A speechLevel is the level in dB of the voice at present, by which its esses
// are judged: of the voiced moments of the last third of a second or so. Pauses, breaths
// and esses don't count and so don't pull it; everything is relative, so that a
// louder recording gives the same decisions.
//
//	low   = Σ w·l / Σ w,  high = Σ w·h / Σ w,  w = exp(-age/300 ms) if voiced, else 0
//	share = 1/2 - (low - high - 2 dB)/6 dB, within 0 to 1
//	level = max(u, low + share·(high + 18 dB - low))
//
// l is plain RMS over 20 ms under 500 Hz in dB, h from 2.5 to 4.5 kHz, v below the
// esses' band, u that over 5 ms. Voiced is a moment whose v is less than 20 dB below the
// loudest of the last 2 s, more than 10 dB above the softest, more than 6 dB above
// all levels over 5 ms in the esses' band in the last 20 ms, and above h. The weights
// age in real time: after a pause, new words count at once. u serves a voice that
// has just become louder.
//
// A shout lifts vowels by more than their esses, most of all over 500 Hz; without
// voice, in a whisper, the part under that is gone, while the breath that makes
// the rest makes the esses too. The share tells which of both it is.
type speechLevel struct {
	mean     *kernel.Mean
	brief    *kernel.Mean
	lowMean  *kernel.Mean
	highMean *kernel.Mean
	bandHold *kernel.Hold // an ess lasts in the means as long as they do
	loudest  *kernel.Hold // of the power
	softest  *kernel.Hold // of its inverse; before the first value nothing is soft
	known    *kernel.Hold // of Σ w
	powers   []float64    // one value a control step, as all that follow
	bands    []float64
	highs    []float64
	greatest []float64
	inverse  []float64
	levelsDB []float64
	lowDB    []float64
	highDB   []float64
	weights  []float64

	age             float64
	low, high, kept float64 // Σ w·l, Σ w·h and Σ w, in shares of steady voice
}

func newSpeechLevel(controlsPerQuantum int, rateHz float64) *speechLevel {
	memory, window := dsp.Controls(speechMemoryMS, rateHz), dsp.Controls(rmsWindowMS, rateHz)
	values := func() []float64 { return make([]float64, controlsPerQuantum) }
	return &speechLevel{
		mean:     kernel.NewMean(window),
		brief:    kernel.NewMean(dsp.Controls(essWindowMS, rateHz)),
		lowMean:  kernel.NewMean(window),
		highMean: kernel.NewMean(window),
		bandHold: kernel.NewHold(window),
		loudest:  kernel.NewHold(memory),
		softest:  kernel.NewHold(memory),
		known:    kernel.NewHold(memory),
		powers:   values(),
		bands:    values(),
		highs:    values(),
		greatest: values(),
		inverse:  values(),
		levelsDB: values(),
		lowDB:    values(),
		highDB:   values(),
		weights:  values(),
		age:      kernel.OnePole(speechTauMS, dsp.ControlRate(rateHz)),
	}
}

// process takes a quantum of the signal below the band, that under 500 Hz, the
// powers from 2.5 to 4.5 kHz and those in the band, and makes bandDB, the band's
// levels, relative to the speech level: -Inf where that is unknown.
func (s *speechLevel) process(below, low, highPowers []float64, step int, bandPowers, bandDB []float64) {
	const leastPower = 1e-24 // the inverse stays finite
	kernel.Powers(s.powers, below, step)
	kernel.Powers(s.lowDB, low, step)
	copy(s.levelsDB, s.powers)
	copy(s.highs, highPowers)
	copy(s.bands, bandPowers)
	s.mean.Process(s.powers)
	s.brief.Process(s.levelsDB)
	s.lowMean.Process(s.lowDB)
	s.highMean.Process(s.highs)
	s.bandHold.Process(s.bands)
	for i, p := range s.powers {
		s.greatest[i] = p
		s.inverse[i] = 1 / (p + leastPower)
	}
	s.loudest.Process(s.greatest)
	s.softest.Process(s.inverse)
	kernel.PowersToDB(s.levelsDB, s.levelsDB)
	kernel.PowersToDB(s.lowDB, s.lowDB)
	kernel.PowersToDB(s.highDB, s.highs)

	for i, p := range s.powers {
		s.low = float64(s.age * s.low)
		s.high = float64(s.age * s.high)
		s.kept = float64(s.age * s.kept)
		voiced := p > underLoudest*s.greatest[i] && p*s.inverse[i] > overSoftest && p > overBand*s.bands[i] && p > s.highs[i]
		if voiced {
			s.low += float64((1 - s.age) * s.lowDB[i])
			s.high += float64((1 - s.age) * s.highDB[i])
			s.kept += 1 - s.age
		}
		s.weights[i] = s.kept
		if s.kept > 0 {
			s.levelsDB[i] = max(s.levelsDB[i], vowelDB(s.low/s.kept, s.high/s.kept))
		}
	}
	const forgotten = 1e-30
	if s.kept < forgotten {
		s.low, s.high, s.kept = 0, 0, 0
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

// vowelDB is the level of vowels that esses are judged by, from theirs under
// 500 Hz and from 2.5 to 4.5 kHz.
func vowelDB(low, high float64) float64 {
	whisper := max(0, min(1, 0.5-(low-high-whisperBelowDB)/(2*whisperFadeDB)))
	return low + float64(whisper*(high+whisperUpDB-low))
}

func (s *speechLevel) reset() {
	s.mean.Reset()
	s.brief.Reset()
	s.lowMean.Reset()
	s.highMean.Reset()
	s.bandHold.Reset()
	s.loudest.Reset()
	s.softest.Reset()
	s.known.Reset()
	s.low, s.high, s.kept = 0, 0, 0
}

// speechSettleMS is how long a speech level remembers: the gate's memory, then
// until what was before weighs so little, against the least weight with which
// the level is still known, that a difference of 60 dB, four times as steep where
// a whisper turns into speech, is below settledDB.
func speechSettleMS() float64 {
	const keptForTaus = speechMemoryMS / speechTauMS
	return rmsWindowMS + speechMemoryMS + float64(speechTauMS*(keptForTaus+kernel.Log(4*60/(speechEnough*settledDB))))
}

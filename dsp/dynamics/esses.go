package dynamics

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

const (
	essFromHz, essToHz = 5500, 10000 // where an s has its energy
	shFromHz, shToHz   = 2500, 4500  // where a sh has it
	essFadeDB          = 3           // from spared to cut, on both sides of equal powers

	followShare = 0.3  // of an earlier de-esser's cut
	followMS    = 60   // how long an earlier cut counts for the same ess
	followAtDB  = 0.05 // from which on the earlier one works
)

// A sibilance tells an ess from a sh, by the powers in two bands over 5 ms.
type sibilance struct {
	ess, sh         *kernel.Cascade
	essMean, shMean *kernel.Mean
	shares          []float64 // one a control step: 0 a sh or a vowel, 1 an ess
	shPowers, shDB  []float64 // plain, and over 5 ms
}

func newSibilance(controlsPerQuantum int, rateHz float64) (*sibilance, error) {
	band := func(fromHz, toHz float64) (*kernel.Cascade, error) {
		high, err := filter.Highpass(min(fromHz, 0.36*rateHz), 24, rateHz)
		if err != nil {
			return nil, err
		}
		low, err := filter.Lowpass(min(toHz, 0.45*rateHz), 24, rateHz)
		return kernel.NewCascade(append(high, low...)), err
	}
	ess, err := band(essFromHz, essToHz)
	if err != nil {
		return nil, err
	}
	sh, err := band(shFromHz, shToHz)
	if err != nil {
		return nil, err
	}
	n := dsp.Controls(essWindowMS, rateHz)
	return &sibilance{ess: ess, sh: sh, essMean: kernel.NewMean(n), shMean: kernel.NewMean(n),
		shares: make([]float64, controlsPerQuantum), shPowers: make([]float64, controlsPerQuantum), shDB: make([]float64, controlsPerQuantum)}, nil
}

// compare takes a quantum twice, and works in both.
func (s *sibilance) compare(x, again []float64, step int) {
	s.ess.Process(x)
	s.sh.Process(again)
	kernel.Powers(s.shares, x, step)
	kernel.Powers(s.shPowers, again, step)
	copy(s.shDB, s.shPowers)
	s.essMean.Process(s.shares)
	s.shMean.Process(s.shDB)
	kernel.PowersToDB(s.shares, s.shares)
	kernel.PowersToDB(s.shDB, s.shDB)
	for i, low := range s.shDB {
		s.shares[i] = max(0, min(1, 0.5+(s.shares[i]-low)/(2*essFadeDB)))
	}
}

func (s *sibilance) reset() {
	s.ess.Reset()
	s.sh.Reset()
	s.essMean.Reset()
	s.shMean.Reset()
}

// An ahead is a de-esser before another one, and its cuts as they reach it.
type ahead struct {
	of         *DeEsser
	delay      *kernel.Delay // in control steps
	hold       *kernel.Hold
	cuts, held []float64 // dB, one a control step
}

// Follow tells a de-esser of one before it in the same chain, whose output
// reaches it so many samples later. Both run quantum by quantum, the earlier one
// first. It is called before the first quantum.
func (d *DeEsser) Follow(earlier *DeEsser, lateBy int) {
	n := len(d.gainsDB)
	d.ahead = append(d.ahead, ahead{
		of: earlier, delay: kernel.NewDelay((lateBy+d.step/2)/d.step, n), hold: kernel.NewHold(dsp.Controls(followMS, d.rateHz)),
		cuts: make([]float64, n), held: make([]float64, n),
	})
	overlap := d.set.FromHz < earlier.set.ToHz && earlier.set.FromHz < d.set.ToHz
	if overlap && earlier.set.ThresholdOverSpeechDB > d.set.ThresholdOverSpeechDB {
		d.set.ThresholdOverSpeechDB = earlier.set.ThresholdOverSpeechDB
		d.curve = kernel.Compression(d.set.ThresholdOverSpeechDB, math.Inf(1), essKneeDB, d.set.MaxCutDB)
	}
}

// limit keeps gains within what the earlier de-esser leaves in this ess.
func (a *ahead) limit(gainsDB []float64, rangeDB float64) {
	for i, g := range a.of.gainsDB {
		a.cuts[i] = max(0, 0-g)
	}
	a.delay.Process(a.cuts)
	copy(a.held, a.cuts)
	a.hold.Process(a.held)
	largest := max(rangeDB, a.of.set.MaxCutDB)
	for i, cut := range a.cuts {
		if a.held[i] >= followAtDB {
			gainsDB[i] = max(gainsDB[i], 0-max(0, min(float64(followShare*cut), largest-cut)))
		}
	}
}

func (a *ahead) reset() {
	a.delay.Reset()
	a.hold.Reset()
}

package filter

import (
	"fmt"
	"math"

	"chapterhouse/dsp/kernel"
)

// A Crossover splits a voice into two to four bands. While nothing is done to
// them, their sum sounds like the input: flat in level within 0.01 dB, with
// only the phase turned.
//
//	|low|² = 1 / (1 + Ω⁴)²,  |high|² = Ω⁸ / (1 + Ω⁴)²,
//	Ω = tan(πf/fs) / tan(πfc/fs)
//
// The splits follow each other upwards; a band that skips the later splits
// goes through their all-passes instead, so that all bands stay in phase.
//
// Parameters:
//   - crossovers_hz: one to three frequencies, ascending, at least a third of
//     an octave apart, each 10 to 0.45 of the rate; no default. Both
//     neighbours are 6.02 dB down there, with 24 dB per octave beyond.
//
// Latency: none.
//
// Source: Linkwitz, "Active Crossover Networks for Noncoincident Drivers",
// JAES 24(1), 1976; high band as all-pass minus low band.
type Crossover struct {
	cutoffs   []float64 // tan(πfc/fs)
	rateHz    float64
	splits    []*kernel.Split
	allpasses []*kernel.Cascade // [k]: what band k is owed for the splits it skips
}

// NewCrossover makes a crossover at rest.
func NewCrossover(crossoversHz []float64, rateHz float64) (*Crossover, error) {
	n := len(crossoversHz)
	if n < 1 || n > 3 {
		return nil, fmt.Errorf("crossovers_hz has %d frequencies, it must have 1 to 3", n)
	}
	c := &Crossover{rateHz: rateHz}
	third := kernel.Pow(2, 1./3)
	for i, hz := range crossoversHz {
		key := fmt.Sprintf("crossovers_hz[%d]", i)
		if err := frequency(key, hz, rateHz); err != nil {
			return nil, err
		}
		if i > 0 && hz < crossoversHz[i-1]*third {
			return nil, fmt.Errorf("%s is %g, it must be %.4g or more, a third of an octave above the one before", key, hz, crossoversHz[i-1]*third)
		}
		c.cutoffs = append(c.cutoffs, kernel.Tan(math.Pi*hz/rateHz))
		c.splits = append(c.splits, kernel.NewSplit(lowpass2(hz, math.Sqrt2/2, rateHz)))
	}
	for k := range n {
		var owed []kernel.Biquad
		for _, later := range c.splits[k+1:] {
			owed = append(owed, later.Allpass())
		}
		c.allpasses = append(c.allpasses, kernel.NewCascade(owed))
	}
	return c, nil
}

// Split writes the bands of a quantum, lowest first. There is one band more
// than crossovers, each as long as block; block is left alone.
func (c *Crossover) Split(block []float64, bands [][]float64) {
	rest := block
	for k, s := range c.splits {
		s.Process(rest, bands[k], bands[k+1])
		c.allpasses[k].Process(bands[k])
		rest = bands[k+1]
	}
}

// Reset puts the crossover at rest.
func (c *Crossover) Reset() {
	for k := range c.splits {
		c.splits[k].Reset()
		c.allpasses[k].Reset()
	}
}

// SettleFrames is the number of samples after which the crossover has
// forgotten what it heard before; as SettleFrames of its sections.
func (c *Crossover) SettleFrames() int {
	var sections []kernel.Biquad
	for _, s := range c.splits {
		sections = append(sections, s.Allpass())
	}
	return SettleFrames(sections)
}

// BandGainDB is the gain of one band at a frequency below half the rate.
func (c *Crossover) BandGainDB(band int, hz float64) float64 {
	t := kernel.Tan(math.Pi * hz / c.rateHz)
	gain := 1.0
	for k, cutoff := range c.cutoffs {
		if k > band {
			break // skipped: an all-pass
		}
		o := t / cutoff
		o4 := float64(o * o * o * o)
		if k < band {
			gain *= o4 / (1 + o4)
		} else {
			gain /= 1 + o4
		}
	}
	return kernel.DB(gain)
}

package dynamics

import (
	"math"

	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// A part is a stretch of the spectrum whose gain moves beside a rest that stays
// as it is:
//
//	y = A·x + (gain - 1)·B·x,  |B| = 1 at the part's middle
//
// B is a filter of 48 dB per octave on each side whose phase is that of the
// all-pass A. At rest only A is left, flat in level.
type part struct {
	allpass *kernel.Cascade
	band    *kernel.Cascade
	centre  float64 // 1/|B| of the cascade in the middle
	delay   float64 // group delay of A at 0 Hz, in samples
}

// newPart is what lies above a frequency, below one, or between two; 0 is no
// edge.
func newPart(aboveHz, belowHz, rateHz float64) (*part, error) {
	var edges []kernel.Biquad
	if aboveHz > 0 {
		high, err := filter.Highpass(aboveHz, 24, rateHz)
		if err != nil {
			return nil, err
		}
		edges = high
	}
	if belowHz > 0 {
		low, err := filter.Lowpass(belowHz, 24, rateHz)
		if err != nil {
			return nil, err
		}
		edges = append(edges, low...)
	}
	p := &part{centre: 1}
	var allpass, band []kernel.Biquad
	for _, q := range edges {
		band = append(band, q, q)
		allpass = append(allpass, kernel.Biquad{B0: q.A2, B1: q.A1, B2: 1, A1: q.A1, A2: q.A2})
		p.delay += 2 * (1 - q.A2) / (1 + q.A1 + q.A2)
	}
	p.allpass, p.band = kernel.NewCascade(allpass), kernel.NewCascade(band)
	if aboveHz > 0 && belowHz > 0 {
		ratio := kernel.Tan(math.Pi*aboveHz/rateHz) / kernel.Tan(math.Pi*belowHz/rateHz)
		edge := 1 + float64(ratio*ratio*ratio*ratio)
		p.centre = edge * edge
	}
	return p, nil
}

// split writes B·x, but for the factor centre, and makes block A·x.
func (p *part) split(block, inPart []float64) {
	copy(inPart, block)
	p.band.Process(inPart)
	p.allpass.Process(block)
}

// add puts the moved part back: ramp runs through gains, of which 1 is rest.
// gains and inPart are used up.
func (p *part) add(block, inPart, gains []float64, ramp *kernel.Ramp) {
	for i, g := range gains {
		gains[i] = float64(p.centre * (g - 1))
	}
	ramp.Process(inPart, gains)
	for i, v := range inPart {
		block[i] += v
	}
}

func (p *part) reset() {
	p.allpass.Reset()
	p.band.Reset()
}

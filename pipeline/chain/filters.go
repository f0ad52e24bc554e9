package chain

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// filtered makes a processor of designed sections.
func filtered(sections []kernel.Biquad, err error) (dsp.Processor, error) {
	if err != nil {
		return nil, err
	}
	return filter.New(sections), nil
}

// settle is the number of samples until what sections remember is 60 dB down:
// a pole of radius r loses 20·log10(1/r) dB a sample, and every section beyond
// the first may add 18 dB to start from, as their memories feed each other.
func settle(sections []kernel.Biquad, err error) int {
	if err != nil || len(sections) == 0 {
		return 0
	}
	slowest := 0.0
	for _, q := range sections {
		slowest = max(slowest, radius(q))
	}
	downDB := 66 + 18*float64(len(sections)-1)
	return int(math.Ceil(downDB / -kernel.DB(slowest)))
}

// radius is that of the larger pole of 1 + A1·z⁻¹ + A2·z⁻².
func radius(q kernel.Biquad) float64 {
	d := float64(q.A1*q.A1)/4 - q.A2
	if d < 0 {
		return math.Sqrt(q.A2)
	}
	return math.Abs(q.A1)/2 + math.Sqrt(d)
}

package dsptest

import (
	"fmt"
	"math"
	"testing"

	"chapterhouse/dsp"
)

// Sample is Exercise in short, for many settings of one processor: two thirds of
// a second of speech, full-scale noise, a square, silence and again speech, cut at
// random, come out finite, the same as uncut and the same after Reset, with a
// sane gauge. seed picks the signal and the cuts.
func Sample(t *testing.T, rateHz float64, make func() dsp.Processor, seed uint64) {
	t.Helper()
	report(t, "sample", checkSample(rateHz, make, seed))
}

func checkSample(rateHz float64, makeProcessor func() dsp.Processor, seed uint64) error {
	cuts := uint64(0)
	below := func(n int) int { // at random
		cuts++
		return int(float64(n) * (random(seed, cuts) + 1) / 2)
	}
	start := dsp.Frames(below(10 * dsp.Quantum))
	x := append(Speechlike(seed, 10_000, rateHz), Noise(seed, 5_000)...)
	for i := range 4_000 {
		x = append(x, float64(1-i/50%2*2))
	}
	x = append(x, make([]float64, 5_000)...)
	x = append(x, Speechlike(seed+1, 5_000, rateHz)...)

	want := run(makeProcessor(), start, x, len(x))
	for i, v := range want {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("sample %d is %g", i, v)
		}
	}
	p := makeProcessor()
	cut := func() error {
		y := make([]float64, 0, len(x))
		emit := func(part []float64) { y = append(y, part...) }
		e := dsp.NewEngine(start, p)
		var fault error
		e.OnQuantum(func(at dsp.Frames, _ int, gainsDB []float64) {
			for _, g := range gainsDB {
				if math.IsNaN(g) || math.IsInf(g, 0) || g > largestLiftDB {
					fault = fmt.Errorf("a gain of %g dB at frame %d", g, at)
				}
			}
		})
		for rest := x; len(rest) > 0; {
			n := min(len(rest), 1+below(3000))
			e.Write(rest[:n], emit)
			rest = rest[n:]
		}
		e.Close(emit)
		if fault != nil {
			return fault
		}
		return differ(y, want)
	}
	for _, when := range []string{"cut at random", "after Reset"} {
		if err := cut(); err != nil {
			return fmt.Errorf("%s: %w", when, err)
		}
		p.Reset()
	}
	return nil
}

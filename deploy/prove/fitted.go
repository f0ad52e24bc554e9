package main

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/render"
)

// A fitted chain is a chain made for one recording as a night makes it: what
// the recording's profile found, the fit's gain, and processors for its facts.
type fitted struct {
	chain      pipeline.Chain
	gain       float64
	processors []dsp.Processor
}

// fit makes a chain for a recording.
func fit(x []float64, rate int, yaml []byte) (fitted, error) {
	c, faults := chain.Parse(yaml, "chain")
	if len(faults) > 0 {
		return fitted{}, fmt.Errorf("%v", faults)
	}
	l := render.NewListener(rate)
	l.Write(x)
	profile, marks, _ := l.Result()
	record := pipeline.Fit([]pipeline.ProfileRecord{profile}, &c.SpeechDBFS, 0, nil, nil)
	facts := chain.FactsAt(record.Facts, marks, record.GainDB)
	processors, err := chain.New(c.Stages, float64(rate), facts)
	return fitted{c, math.Pow(10, float64(record.GainDB)/20), processors}, err
}

// amplified is a recording after the fit's gain.
func (f fitted) amplified(x []float64) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = f.gain * v
	}
	return out
}

// process sends what was amplified through the chain, once.
func (f fitted) process(x []float64, watch func(at dsp.Frames, stage int, gainsDB []float64)) []float64 {
	engine := dsp.NewEngine(0, f.processors...)
	engine.OnQuantum(watch)
	return engine.Whole(x)
}

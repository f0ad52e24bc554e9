package clinic

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
)

// Fit is the gain and the facts that a night would give the read for a chain
// with this reference.
func (r *Read) Fit(reference dsp.DBFS) pipeline.FitRecord {
	return pipeline.Fit([]pipeline.ProfileRecord{r.Profile}, &reference, 0, nil, nil)
}

// Through is the read after fit and stages, as a night's render has it before
// level and limiter: as many samples, none late. watch, which may be nil, sees
// the gains of stages that move gain, as dsp.Engine.OnQuantum gives them.
func (r *Read) Through(stages []pipeline.Resolved, reference dsp.DBFS, watch func(at dsp.Frames, stage int, gainsDB []float64)) ([]float64, error) {
	fit := r.Fit(reference)
	procs, err := chain.New(stages, float64(r.RateHz), chain.FactsAt(fit.Facts, r.Marks, fit.GainDB))
	if err != nil {
		return nil, err
	}
	gain := kernel.FromDB(float64(fit.GainDB))
	x := make([]float64, len(r.x))
	for i, v := range r.x {
		x[i] = v * gain
	}
	e := dsp.NewEngine(0, procs...)
	if watch != nil {
		e.OnQuantum(watch)
	}
	return e.Whole(x), nil
}

package clinic

import (
	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// InStep is a finished recording of the same reading, frame by frame beside the
// read: as many samples, at its rate. Where a pause was cut shorter there is what
// stood next to it.
func InStep(r, finished *Read) ([]float64, error) {
	fin, err := atRate(finished, r.RateHz)
	if err != nil {
		return nil, err
	}
	pieces, lie := align(r.x, fin, r.RateHz, r.Marks.Phrases)
	if len(pieces) == 0 || lie.FoundS < leastAlikeS {
		return nil, pipeline.Errorf(pipeline.Source, finished.File, "it is no other version of %s: %.0f of %.0f s of its speech were found there; a trial needs the same reading", r.File, lie.FoundS, lie.OfS)
	}
	y := make([]float64, len(r.x))
	for i, p := range pieces {
		from, to := p.From, dsp.Frames(len(y))
		if i == 0 {
			from = 0
		}
		if i+1 < len(pieces) {
			to = pieces[i+1].From
		}
		from = max(from, -p.lag)
		if to = min(to, dsp.Frames(len(fin))-p.lag); to > from {
			copy(y[from:to], fin[from+p.lag:to+p.lag])
		}
	}
	return y, nil
}

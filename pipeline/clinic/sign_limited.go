package clinic

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// flatCrestDB is under what a page's peaks stand over its level where something
// flattened it. The tuning voices have 14 and more.
const flatCrestDB = 11.0

// limited is whether a limiter or a compressor worked on it. Value is the highest
// peak of the page over its level while speaking, dB.
func limited(r *Read) []Sign {
	s := Sign{Name: "limited", Remedy: Good, Confidence: Likely, Unit: "dB"}
	crest := r.crest()
	if math.IsNaN(crest) || math.IsInf(crest, 0) {
		s.Remedy, s.Confidence, s.Unit, s.Says = Unknown, Unsure, "", "whether a limiter was at work can't be told: too little is spoken"
		return []Sign{s}
	}
	s.Value = round1(crest)
	s.Evidence = []string{fmt.Sprintf("the page's peaks stand %.1f dB over its level while speaking", crest)}
	switch found := r.found("limited"); {
	case len(found) > 0:
		s.Remedy = Booth
		s.Says = found[0].Measured + ": a limiter worked on the way in, and what it took off the peaks can't be brought back"
		s.Evidence = append(s.Evidence, r.printed("limit", "compress", "maxim")...)
	case crest < flatCrestDB && len(r.found("clipped")) == 0:
		s.Remedy, s.Confidence = Booth, Unsure
		s.Says = fmt.Sprintf("the page's peaks stand only %.1f dB over its level: it was compressed or limited on the way in, or rounded off", crest)
		s.Evidence = append(s.Evidence, r.printed("limit", "compress", "maxim", "satur", "tape")...)
	default:
		s.Says = fmt.Sprintf("no limiter is heard: peaks stand %.1f dB over the voice's level", crest)
		s.Evidence = append(s.Evidence, r.unheard("limit", "compress")...)
	}
	return []Sign{s}
}

// crest is how far the page's peaks, those that one moment in a hundred exceeds,
// stand over its level, dB.
func (r *Read) crest() float64 {
	var peaks []float64
	spans := r.page()
	step := dsp.FramesIn(0.02, r.RateHz)
	for _, s := range spans {
		for at := s.From; at+step <= s.To; at += step {
			peaks = append(peaks, r.peakOf(pipeline.Span{From: at, To: at + step}))
		}
	}
	return share(peaks, 0.995) - r.levelOf(spans...)
}

package clinic

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// Rates as the check of chapters has them: mouths click up to six times in a
// minute by nature.
const (
	mouthNoted = 10.0
	mouthMuch  = 15.0
)

// mouthNoise is how much a mouth clicks. Value is clicks in a minute.
func mouthNoise(r *Read) []Sign {
	s := Sign{Name: "mouth-noise", Remedy: Good, Confidence: Likely, Unit: "clicks a minute"}
	if r.RateHz < 16000 {
		s.Remedy, s.Confidence, s.Unit = Unknown, Unsure, ""
		s.Says = "mouth noise can't be told: the file holds nothing above 8 kHz"
		return []Sign{s}
	}
	s.Value = round1(float64(len(r.clicks)) / max(r.minutes(), 1.0/60))
	if r.SecondsS < shortestS {
		s.Confidence = Unsure
	}
	for _, at := range r.clicks[:min(3, len(r.clicks))] {
		s.Places = append(s.Places, pipeline.Span{From: at, To: at + dsp.FramesIn(0.002, r.RateHz)})
	}
	s.Evidence = []string{fmt.Sprintf("%s out from 2 to 10 kHz for up to 2 ms; up to six in a minute are a mouth's nature", plural(len(r.clicks), "moment stands", "moments stand"))}
	switch {
	case s.Value >= mouthMuch:
		s.Remedy, s.Says = Processing, fmt.Sprintf("the mouth clicks %.0f times in a minute: a stage takes most of them out, water and a break help more", s.Value)
	case s.Value >= mouthNoted:
		s.Remedy, s.Says = Processing, fmt.Sprintf("the mouth clicks %.0f times in a minute: a stage takes most of them out", s.Value)
	default:
		s.Says = fmt.Sprintf("little mouth noise: %s in a minute", plural(int(math.Round(s.Value)), "click", "clicks"))
	}
	return []Sign{s}
}

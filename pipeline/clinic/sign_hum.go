package clinic

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/pipeline"
)

// mainsHum is hum in the pauses. Value is how far its strongest line stands over the
// noise of the third of an octave around it, dB; LowHz is its fundamental.
func mainsHum(r *Read) []Sign {
	s := Sign{Name: "hum", Remedy: Good, Confidence: Sure, Unit: "dB"}
	if r.Profile.Floor.Windows == 0 || r.heard.toneS < 3 {
		s.Remedy, s.Confidence, s.Unit = Unknown, Unsure, ""
		s.Says = fmt.Sprintf("hum can't be told: there are %.1f s of room tone, and 3 s show it", r.heard.toneS)
		return []Sign{s}
	}
	var lines []string
	for _, l := range r.heard.lines {
		if l.mains && len(lines) < 4 {
			lines = append(lines, fmt.Sprintf("%.1f Hz at %.1f dBFS", l.Hz, inDB(l.power)))
		}
	}
	hz := 0.0
	for _, m := range r.Marks.Mains {
		hz += m.Hz / float64(len(r.Marks.Mains))
	}
	found := r.found("hum")
	switch {
	case len(found) > 0:
		worst := slices.MaxFunc(found, func(a, b pipeline.Finding) int { return int(math.Copysign(1, a.Value-b.Value)) })
		s.Remedy, s.Value, s.LowHz, s.HighHz = Processing, worst.Value, round1(hz), round1(12*hz)
		s.Says = fmt.Sprintf("hum of the mains at %.0f Hz: %s", hz, worst.Measured)
		s.Evidence = append(s.Evidence, lines...)
		if at := r.span(worst.StartS, worst.EndS); at.Len() > 0 {
			s.Places = append(s.Places, at)
		}
	case hz > 0:
		s.Unit, s.LowHz = "", round1(hz)
		s.Says = fmt.Sprintf("the mains are there at %.0f Hz, too soft to be heard under a voice at its level", hz)
		s.Evidence = append(s.Evidence, lines...)
	default:
		s.Unit, s.Says = "", "no hum of the mains in the pauses"
	}
	return []Sign{s}
}

package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

func titleSpread() Check {
	return Check{
		Name: "spread",
		Doc: "The chapter's integrated loudness (ITU-R BS.1770-5) lies further from the middle of its title, or from the " +
			"chapter before it, than the spec allows. Listeners set their volume once. Openings, closings and what is too short to measure are left out.",
		Read: func(t Title, chapter int) []pipeline.Finding {
			var out []pipeline.Finding
			for _, f := range t.Chapters[chapter].Files {
				s := t.Specs[f.Spec]
				if !counts(f) || t.Chapters[chapter].Role != pipeline.RoleChapter {
					continue
				}
				at := float64(f.Record.Levels.Integrated)
				if limit := s.Limits.TitleSpreadLU; limit > 0 {
					if off := dsp.Round2(at - middle(t, f.Spec)); math.Abs(off) > limit {
						out = append(out, spreadFinding(f.Spec, off, limit, "from the middle of the title"))
						continue
					}
				}
				before, ok := neighbour(t, chapter, f.Spec)
				if limit := s.Limits.NeighbourSpreadLU; limit > 0 && ok {
					if off := dsp.Round2(at - before); math.Abs(off) > limit {
						out = append(out, spreadFinding(f.Spec, off, limit, "from the chapter before"))
					}
				}
			}
			return out
		},
	}
}

func spreadFinding(spec string, off, limit float64, than string) pipeline.Finding {
	return pipeline.Finding{
		Spec:     spec,
		Measured: fmt.Sprintf("%+.2f LU %s", off, than),
		Limit:    fmt.Sprintf("%g LU", limit),
		Do:       "listen across the join: is it the story, or the day's voice? A session that was named wrongly shows here too",
		Weight:   pipeline.Listen, Value: math.Abs(off), LimitValue: limit, Unit: "LU",
	}
}

func counts(f pipeline.FileOutcome) bool {
	l := float64(f.Record.Levels.Integrated)
	return !math.IsInf(l, 0) && !math.IsNaN(l)
}

// middle is the median loudness of a spec's chapters.
func middle(t Title, spec string) float64 {
	var all []float64
	for i := range t.Chapters {
		if l, ok := loudness(t, i, spec); ok {
			all = append(all, l)
		}
	}
	return median(all)
}

// neighbour is the loudness of the nearest chapter before.
func neighbour(t Title, chapter int, spec string) (float64, bool) {
	for i := chapter - 1; i >= 0; i-- {
		if l, ok := loudness(t, i, spec); ok {
			return l, true
		}
	}
	return 0, false
}

func loudness(t Title, chapter int, spec string) (float64, bool) {
	if t.Chapters[chapter].Role != pipeline.RoleChapter {
		return 0, false
	}
	for _, f := range t.Chapters[chapter].Files {
		if f.Spec == spec && counts(f) {
			return float64(f.Record.Levels.Integrated), true
		}
	}
	return 0, false
}

package check

import (
	"fmt"
	"math"

	"chapterhouse/pipeline"
)

func levelWindow() Check {
	return Check{
		Name: "level",
		Doc: "The delivered file's level in the spec's own measure lies outside the spec's window. Such a file " +
			"can't be delivered. It happens when the limiter has to take more than the window has room for: " +
			"compress the chapter's loud lines in the chain.",
		Read: everyFile(func(s pipeline.Spec, f pipeline.FileOutcome) []pipeline.Finding {
			at, unit := s.Sound.Level.Of(f.Record.Levels), s.Sound.Level.Unit()
			w := s.Sound.Level.Window
			measured := fmt.Sprintf("%.2f %s", at, unit)
			switch {
			case math.IsNaN(at):
				measured = "not measurable"
			case math.IsInf(at, -1):
				measured = "-inf " + unit
			}
			if at >= w[0] && at <= w[1] {
				return nil
			}
			return []pipeline.Finding{{
				Measured: measured,
				Limit:    window(s.Sound.Level),
				Do:       "compress the loud lines in the chain, so that the level reaches the window under the peak ceiling",
				Weight:   pipeline.Return,
			}}
		}),
	}
}

// window is a spec's window as a limit.
func window(l pipeline.Level) string {
	unit := l.Unit()
	text := fmt.Sprintf("%g to %g %s", l.Window[0], l.Window[1], unit)
	if m := l.Meaning(); m != "" {
		text += ", " + m
	}
	return text
}

// eachFile makes a Read of a function over one file of narration and its spec.
func eachFile(find func(pipeline.Spec, pipeline.FileOutcome) []pipeline.Finding) func(Title, int) []pipeline.Finding {
	every := everyFile(find)
	return func(t Title, chapter int) []pipeline.Finding {
		if t.Chapters[chapter].Role == pipeline.RoleAsset {
			return nil
		}
		return every(t, chapter)
	}
}

// everyFile makes a Read of a function over one file of any role and its spec.
func everyFile(find func(pipeline.Spec, pipeline.FileOutcome) []pipeline.Finding) func(Title, int) []pipeline.Finding {
	return func(t Title, chapter int) []pipeline.Finding {
		var out []pipeline.Finding
		for _, f := range t.Chapters[chapter].Files {
			for _, one := range find(t.Specs[f.Spec], f) {
				one.Spec = f.Spec
				out = append(out, one)
			}
		}
		return out
	}
}

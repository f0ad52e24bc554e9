package check

import (
	"fmt"

	"chapterhouse/pipeline"
)

func levelWindow() Check {
	return Check{
		Name: "level",
		Doc: "The delivered file's level in the spec's own measure lies outside the spec's window. Such a file " +
			"can't be delivered. It happens when the limiter has to take more than the window has room for: " +
			"compress the chapter's loud lines in the chain.",
		Read: eachFile(func(s pipeline.Spec, f pipeline.FileOutcome) []pipeline.Finding {
			at, unit := MeasuredLevel(s.Sound.Level.Measure, f)
			w := s.Sound.Level.Window
			if at >= w[0] && at <= w[1] {
				return nil
			}
			return []pipeline.Finding{{
				Measured: fmt.Sprintf("%.2f %s", at, unit),
				Limit:    fmt.Sprintf("%.0f to %.0f %s", w[0], w[1], unit),
				Do:       "compress the loud lines in the chain, so that the level reaches the window under the peak ceiling",
				Weight:   pipeline.Return,
			}}
		}),
	}
}

// MeasuredLevel is a file's level in a spec's measure, and its unit.
func MeasuredLevel(m pipeline.Measure, f pipeline.FileOutcome) (float64, string) {
	if m == pipeline.MeasureLoudness {
		return float64(f.Record.Levels.Integrated), "LUFS"
	}
	return float64(f.Record.Levels.RMS), "dBFS"
}

// eachFile makes a Read of a function over one file and its spec.
func eachFile(find func(pipeline.Spec, pipeline.FileOutcome) []pipeline.Finding) func(Title, int) []pipeline.Finding {
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

package check

import (
	"fmt"

	"chapterhouse/pipeline"
)

// How long an excerpt is: common practice.
const leastExcerptMin, mostExcerptMin = 1.0, 5.0

func excerptLength() Check {
	every := everyFile(func(_ pipeline.Spec, f pipeline.FileOutcome) []pipeline.Finding {
		minutes := f.Record.LengthS / 60
		if minutes >= leastExcerptMin && minutes <= mostExcerptMin {
			return nil
		}
		return []pipeline.Finding{{
			Measured: fmt.Sprintf("%.2f min", minutes),
			Limit:    fmt.Sprintf("%g to %g min", leastExcerptMin, mostExcerptMin),
			Do:       "take another stretch with from_s and to_s in title.yaml; without an excerpt there the report proposes one",
			Weight:   pipeline.Listen,
		}}
	})
	return Check{
		Name: "excerpt",
		Doc: "The excerpt is shorter than one minute or longer than five, which is what receivers take (common " +
			"practice). Take another stretch in title.yaml.",
		Read: func(t Title, chapter int) []pipeline.Finding {
			if t.Chapters[chapter].Role != pipeline.RoleExcerpt {
				return nil
			}
			return every(t, chapter)
		},
	}
}

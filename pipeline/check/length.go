package check

import (
	"fmt"

	"chapterhouse/pipeline"
)

func fileLength() Check {
	return Check{
		Name: "length",
		Doc:  "The file is longer than the spec allows. Split the chapter in two in title.yaml.",
		Read: everyFile(func(s pipeline.Spec, f pipeline.FileOutcome) []pipeline.Finding {
			limit := s.Limits.MaxMinutes
			if limit == 0 || f.Record.LengthS <= limit*60 {
				return nil
			}
			return []pipeline.Finding{{
				Measured: fmt.Sprintf("%.2f min", f.Record.LengthS/60),
				Limit:    fmt.Sprintf("%g min", limit),
				Do:       "split the chapter in two, with from_s and to_s in title.yaml",
				Weight:   pipeline.Return,
			}}
		}),
	}
}

package check

import (
	"fmt"

	"chapterhouse/pipeline"
)

const (
	limiterNoticeDB = 3.0
	limiterListenDB = 6.0
)

func limiterDepth() Check {
	return Check{
		Name: "limiter",
		Doc: "The limiter takes more than 3 dB off a line: it is meant for stray peaks, not for lines. Ride or " +
			"compress that line in the chain. Over 6 dB it can be heard, and the chapter asks for an ear.",
		Read: func(t Title, chapter int) []pipeline.Finding {
			var out []pipeline.Finding
			for _, f := range t.Chapters[chapter].Files {
				for _, p := range f.Record.Deep {
					if -p.DB <= limiterNoticeDB { // as it is shown
						continue
					}
					weight, limit := pipeline.Ready, limiterNoticeDB
					if -p.DB > limiterListenDB {
						weight, limit = pipeline.Listen, limiterListenDB
					}
					out = append(out, pipeline.Finding{
						Spec: f.Spec, Source: p.Source, StartS: p.StartS, EndS: p.EndS,
						Measured: fmt.Sprintf("%.1f dB", -float64(p.DB)),
						Limit:    fmt.Sprintf("%.0f dB", limit),
						Do:       "ride or compress this line in the chain",
						Weight:   weight, Value: -float64(p.DB), LimitValue: limiterListenDB, Unit: "dB",
					})
				}
			}
			return out
		},
	}
}

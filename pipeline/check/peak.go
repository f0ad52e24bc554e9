package check

import (
	"chapterhouse/pipeline"
)

func peakCeiling() Check {
	return Check{
		Name: "peak",
		Doc: "The delivered file, decoded again, has a true peak (ITU-R BS.1770-5 Annex 2, at 8 times the rate) " +
			"over the spec's ceiling, after the render's own corrections. Such a file can't be delivered.",
		Read: everyFile(func(s pipeline.Spec, f pipeline.FileOutcome) []pipeline.Finding {
			if f.Record.Levels.TruePeak <= s.Sound.Peak.MaxDBTP {
				return nil
			}
			return []pipeline.Finding{{
				Measured: f.Record.Levels.TruePeak.String(),
				Limit:    s.Sound.Peak.MaxDBTP.String(),
				Do:       "compress the loudest line of the chapter, then run the title again",
				Weight:   pipeline.Return,
			}}
		}),
	}
}

package check

import (
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// edgeSlackS is how exactly the start and end of sound can be found.
const edgeSlackS = 0.1

func headLength() Check {
	return Check{
		Name: "head",
		Doc: "The room tone before the first sound of the delivered file is shorter or longer than the spec asks " +
			"for, by more than 0.1 s. A breath or a chair before the reading moves what counts as the first sound.",
		Read: eachFile(func(s pipeline.Spec, f pipeline.FileOutcome) []pipeline.Finding {
			return edge("start", f.Record.HeadS, s.Sound.Edges.HeadS)
		}),
	}
}

func tailLength() Check {
	return Check{
		Name: "tail",
		Doc: "The room tone after the last sound of the delivered file is shorter or longer than the spec asks " +
			"for, by more than 0.1 s. A breath or a chair after the reading moves what counts as the last sound.",
		Read: eachFile(func(s pipeline.Spec, f pipeline.FileOutcome) []pipeline.Finding {
			return edge("end", f.Record.TailS, s.Sound.Edges.TailS)
		}),
	}
}

func edge(name string, at float64, want [2]float64) []pipeline.Finding {
	if at >= dsp.Round2(want[0]-edgeSlackS) && at <= dsp.Round2(want[1]+edgeSlackS) {
		return nil
	}
	return []pipeline.Finding{{
		Measured: fmt.Sprintf("%.2f s", at),
		Limit:    fmt.Sprintf("%.2f to %.2f s", want[0], want[1]),
		Do:       "listen to the " + name + " of the file for a noise beside the reading",
		Weight:   pipeline.Listen,
	}}
}

package check

import (
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// leastS is how much must be heard to judge how a recording was made: a dozen
// words and the pauses between them.
const leastS = 5.0

func tooShort() Check {
	return Check{
		Name: "too-short",
		Doc: "The part is under five seconds long: whether it was once lossy, gated or limited can't be told from so little. " +
			"Nothing is wrong with it.",
		Listen: func(p Part) Listener { return &lengthListener{rateHz: p.RateHz} },
	}
}

type lengthListener struct {
	rateHz int
	at     dsp.Frames
}

func (l *lengthListener) Hear(x []float64) { l.at += dsp.Frames(len(x)) }

func (l *lengthListener) Heard() []Stretch {
	s := l.at.Seconds(l.rateHz)
	if s >= leastS {
		return nil
	}
	return []Stretch{{
		Weight: pipeline.Ready, Measured: fmt.Sprintf("can't tell from %.1f s whether it was once lossy, gated or limited", s),
		Limit: fmt.Sprintf("%.0f s", leastS), Do: "nothing",
	}}
}

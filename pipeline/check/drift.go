package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

const (
	driftDB     = 1.5 // in ten minutes, and from start to end
	driftSureDB = 2.0 // what a listener's thumb follows (common practice)
	driftS      = 480 // that show a course
	// driftErrors is how many of its own standard errors a slope has to have:
	// chance gives one in a hundred, and few of those are steep enough.
	driftErrors     = 2.8
	driftSureErrors = 3.3
	// driftStep is how much better than a line a single step may fit, in units of
	// the variance that the slope's error implies: e⁴ to one.
	driftStep = 8.0
)

func drift() Check {
	return Check{
		Name: "drift",
		Doc: "The speech level rises or falls steadily through the part, by more than 2 dB in ten minutes and in all (1.5 dB: a notice): the straight line through the levels of its " +
			"phrases, by an M-estimate that lets a shout or a whisper count for little, and more than three of its own standard errors steep. A narrator who moves away from the microphone, or tires. " +
			"Voices of characters come and go and are no drift, nor is what one step tells better: a loud scene at the end.",
		Listen: func(p Part) Listener { return driftListener{p} },
	}
}

// driftListener reads the phrases that the profile found.
type driftListener struct{ p Part }

func (l driftListener) Hear([]float64) {}

func (l driftListener) Heard() []Stretch {
	phrases := l.p.Marks.Phrases
	if len(phrases) == 0 || (phrases[len(phrases)-1].To-phrases[0].From).Seconds(l.p.RateHz) < driftS {
		return nil
	}
	var at, level []float64 // in tens of minutes, dB
	for _, p := range phrases {
		at, level = append(at, ((p.From+p.To)/2).Seconds(l.p.RateHz)/600), append(level, float64(p.Level))
	}
	line, ok := trendOf(at, level)
	least := math.Min(1, at[len(at)-1]-at[0]) * math.Abs(line.slope)
	if !ok || least < driftDB || line.errors() < driftErrors || line.step > driftStep {
		return nil
	}
	weight, limit := pipeline.Ready, driftDB
	if least >= driftSureDB && line.errors() >= driftSureErrors {
		weight, limit = pipeline.Listen, driftSureDB
	}
	return []Stretch{{
		From: l.p.Spoken.From, To: l.p.Spoken.To, Weight: weight,
		Measured: fmt.Sprintf("the level goes %s by %.1f dB in ten minutes", upOrDown(line.slope), math.Abs(line.slope)),
		Limit:    fmt.Sprintf("%g dB", limit), Value: dsp.Round2(math.Abs(line.slope)), LimitValue: limit, Unit: "dB",
		Do: "listen to the start and the end: ask the narrator to keep the distance, and put a ride into the chain",
	}}
}

package check

import (
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// Limits chosen on the tuning voices, which by themselves click up to six times
// in a minute.
const (
	mouthMinuteS = 60.0
	mouthNoted   = 10 // clicks in a minute
	mouthHeard   = 15
)

func mouthNoise() Check {
	return Check{
		Name: "mouth-noise",
		Doc: "A minute or more with ten or more clicks of the mouth in each: a dry mouth, or a microphone too near. One finding for a stretch; from 15 in a minute on it is for an ear. " +
			"The clicks stage takes out most of them between words. Water and a break help the narrator more.",
		Listen: func(p Part) Listener { return &mouthListener{rateHz: p.RateHz, finder: p.clickFinder()} },
	}
}

type mouthListener struct {
	rateHz int
	finder *clickFinder
}

func (l *mouthListener) Hear([]float64) {}

func (l *mouthListener) Heard() (out []Stretch) {
	all := l.finder.end()
	minute := dsp.FramesIn(mouthMinuteS, l.rateHz)
	for i := 0; i+mouthNoted <= len(all); i++ {
		// From the i-th click on, for as long as the next minute has enough.
		end := i + mouthNoted - 1
		if all[end].at-all[i].at >= minute {
			continue
		}
		for end+1 < len(all) && all[end+1].at-all[end+2-mouthNoted].at < minute {
			end++
		}
		length := max(minute, all[end].at-all[i].at)
		rate := float64(end-i+1) / (length.Seconds(l.rateHz) / 60)
		weight, do := pipeline.Ready, "put the clicks stage into the chain if it is heard"
		if rate >= mouthHeard {
			weight, do = pipeline.Listen, "listen to the pauses; put the clicks stage into the chain, and tell the narrator: water and a break help"
		}
		out = append(out, Stretch{From: all[i].at, To: all[end].at + dsp.FramesIn(clickLevelMS/1000, l.rateHz), Weight: weight,
			Measured: fmt.Sprintf("%.0f clicks in a minute", rate), Limit: fmt.Sprintf("%d in a minute", mouthHeard), Do: do,
			Value: dsp.Round2(rate), LimitValue: mouthHeard, Unit: "clicks a minute"})
		i = end
	}
	return out
}

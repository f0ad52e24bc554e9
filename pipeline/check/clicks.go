package check

import (
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// Limits chosen on the tuning voices: in an hour of clean reading the strongest
// moment of a word stood out by 12 dB in voices of formulas, by 16 in those of
// the espeak-ng program.
const (
	clickHeardDB = 17.0 // over what is around, on the louder side
	// clickLoudDB is how far under the level of speech a click is still for an
	// ear. Mouths click at 28 to 45 by nature, some of them six times in a minute.
	clickLoudDB = 24.0
)

func clicks() Check {
	return Check{
		Name: "clicks",
		Doc: "A click or tick of the machine or the mouth, 2 ms at most: from 2,000 to 10,000 Hz it stands 9 dB or more over the 40 ms on either side. " +
			"From 17 dB on, and if it is no softer than 24 dB under the voice, it is for an ear; the others are notices. " +
			"The clicks stage mends most of them; one in a word that stays is a reason to record the word again.",
		Listen: func(p Part) Listener { return &clickListener{p: p, finder: p.clickFinder()} },
	}
}

type clickListener struct {
	p      Part
	finder *clickFinder
}

func (l *clickListener) Hear([]float64) {}

func (l *clickListener) Heard() []Stretch {
	speech := max(float64(l.p.Speech), leastSpeechDBFS)
	var all []sized
	for _, c := range l.finder.end() {
		weight, do := pipeline.Ready, "the clicks stage takes it out; add it to the chain if it is heard"
		if c.over >= clickHeardDB && c.levelDB >= speech-clickLoudDB {
			weight, do = pipeline.Listen, "listen; the clicks stage takes most of them out, else the word has to be recorded again"
		}
		all = append(all, sized{c.over, Stretch{
			From: c.at, To: c.at + dsp.FramesIn(clickLevelMS/1000, l.p.RateHz), Weight: weight,
			Measured: fmt.Sprintf("%.0f dB over what is around, %.0f dB to the voice", c.over, c.levelDB-speech),
			Limit:    fmt.Sprintf("%.0f dB, %.0f dB to the voice", clickHeardDB, -clickLoudDB),
			Do:       do, Value: dsp.Round2(c.over), LimitValue: clickHeardDB, Unit: "dB",
		}})
	}
	return worst(all, "clicks")
}

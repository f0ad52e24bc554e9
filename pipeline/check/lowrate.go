package check

import (
	"fmt"

	"chapterhouse/pipeline"
)

// lowestHz is the lowest rate that holds all of a voice: common practice. At
// 32 kHz esses are whole up to 15 kHz, at 22.05 kHz they are cut at 10.
const lowestHz = 32000

func lowRate() Check {
	return Check{
		Name: "low-rate",
		Doc: "The recording has a sample rate under 32,000 a second: the treble of the voice, esses above all, was cut off " +
			"when it was made, and no other rate brings it back. Ask for the file at the rate it was recorded at.",
		Listen: func(p Part) Listener { return rateListener(p.RateHz) },
	}
}

type rateListener int

func (rateListener) Hear([]float64) {}

func (l rateListener) Heard() []Stretch {
	if l >= lowestHz {
		return nil
	}
	return []Stretch{{
		Weight:   pipeline.Listen,
		Measured: fmt.Sprintf("%g kHz: nothing above %.1f kHz", float64(l)/1000, float64(l)/2000),
		Limit:    fmt.Sprintf("%d kHz", lowestHz/1000),
		Do:       "listen whether the esses are dull; ask for the file at the rate it was recorded at",
	}}
}

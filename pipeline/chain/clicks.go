package chain

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/restore"
)

type clicksParams struct {
	OverLocalDB float64 `json:"over_local_db" default:"12" range:"6..30" doc:"how far a click stands over what is around it; common practice for narration 10 to 15"`
	LongestMS   float64 `json:"longest_ms" default:"4" range:"0.5..6" doc:"the longest mouth click that is mended"`
	MouthClicks bool    `json:"mouth_clicks" default:"true" doc:"of lips and tongue, where nobody speaks"`
	Ticks       bool    `json:"ticks" default:"true" doc:"spikes and jumps of the recording, anywhere"`
}

// Check wants one kind at least.
func (p clicksParams) Check() []Fault {
	if !p.MouthClicks && !p.Ticks {
		return []Fault{{Path: "ticks", Text: "mouth_clicks and ticks are both false; leave one of them true, or take the stage out"}}
	}
	return nil
}

func (p clicksParams) settings() restore.ClicksSettings { return restore.ClicksSettings(p) }

func clicks() Stage {
	return definition[clicksParams]{
		name:  "clicks",
		shown: ShownNot,
		about: []described{{restore.Sources, "Clicks"}},
		rev:   2,
		doc: `Finds mouth clicks in pauses and ticks anywhere, and puts in their place what the sound around
them would have been. Consonants are spared, and a part without clicks keeps its bits. Stands first
or behind a highpass, before anything that lifts or moves gain.
Latency: 4096 samples at 44.1 kHz. See dsp/restore.Clicks for formula and source.`,
		make: func(p clicksParams, rateHz float64, _ Facts) (dsp.Processor, error) {
			return restore.NewClicks(p.settings(), rateHz)
		},
		settle: func(p clicksParams, rateHz float64) int { return p.settings().Settle(rateHz) },
		practice: func(p clicksParams) []string {
			return usual("over_local_db", p.OverLocalDB, 10, 15, "less can take the edge off a consonant, more leaves clicks that are heard")
		},
	}.stage()
}

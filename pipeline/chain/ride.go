package chain

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/dynamics"
	"chapterhouse/dsp/filter"
)

type rideParams struct {
	SharePercent float64 `json:"share_percent" default:"50" range:"0..90" doc:"how much of the way to the session's speech level a phrase is brought; common practice for narration 30 to 60"`
	MaxDB        float64 `json:"max_db" default:"5" range:"0..6" doc:"the most that a phrase is lifted or lowered"`
	RampMS       float64 `json:"ramp_ms" default:"150" range:"50..500" doc:"time to move, within pauses"`
}

func ride() Stage {
	return definition[rideParams]{
		name:  "ride",
		about: []described{{dynamics.Sources, "Ride"}},
		rev:   1,
		doc: `Moves the level phrase by phrase as a hand on a fader does: each phrase a share of the way to the
session's speech level, the louder of two still the louder, moving only in pauses, where room tone is
lifted by 2 dB at most. Phrases and their levels come from the profile. Stands before compression.
No latency. See dsp/dynamics.Ride for formula and source.`,
		make: func(p rideParams, rateHz float64, f Facts) (dsp.Processor, error) {
			if !known(f.SpeechDBFS) || len(f.Phrases) == 0 {
				return filter.New(nil), nil
			}
			return dynamics.NewRide(p.settings(f), rateHz)
		},
		settle: func(p rideParams, rateHz float64) int { return p.settings(Facts{}).Settle(rateHz) },
		idle:   idleWithoutSpeech[rideParams],
		practice: func(p rideParams) []string {
			return usual("share_percent", p.SharePercent, 30, 60, "less is hardly heard, more says everything alike")
		},
		marks: true,
		shown: ShownNot,
	}.stage()
}

func (p rideParams) settings(f Facts) dynamics.RideSettings {
	return dynamics.RideSettings{ReferenceDBFS: max(-80, min(0, float64(f.SpeechDBFS))), SharePercent: p.SharePercent,
		MaxDB: p.MaxDB, RampMS: p.RampMS, Phrases: f.Phrases}
}

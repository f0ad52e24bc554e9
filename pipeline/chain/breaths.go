package chain

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/restore"
)

type breathsParams struct {
	CutDB  float64 `json:"cut_db" default:"6" range:"3..10" doc:"how far breaths are turned down, no further than to the room tone; common practice for narration 4 to 8"`
	RampMS float64 `json:"ramp_ms" default:"20" range:"5..60" doc:"time to get there at a breath's start and back at its end"`
}

func breaths() Stage {
	return definition[breathsParams]{
		name:  "breaths",
		shown: ShownNot,
		about: []described{{restore.Sources, "Breaths"}},
		rev:   1,
		doc: `Turns breaths down and leaves words alone. Breaths come from the profile; none falls under the
room tone. Idle for a session without room tone. Stands before compression.
Latency: 30 ms. See dsp/restore.Breaths for formula and source.`,
		make: func(p breathsParams, rateHz float64, f Facts) (dsp.Processor, error) {
			s := restore.BreathsSettings{CutDB: p.CutDB, RampMS: p.RampMS}
			if hasTone(f.Facts) {
				s.Breaths = f.Breaths
				s.RoomToneDBFSA = max(-150, min(0, toneThrough(f.RoomTone, rateHz, responseOf(meter.AWeighting(rateHz), rateHz))))
			}
			return restore.NewBreaths(s, rateHz)
		},
		settle: func(p breathsParams, rateHz float64) int { return restore.BreathsSettings{}.Settle(rateHz) },
		practice: func(p breathsParams) []string {
			return usual("cut_db", p.CutDB, 4, 8, "less is hardly heard, more leaves a voice without lungs")
		},
		idle:  idleWithoutTone[breathsParams],
		marks: true,
	}.stage()
}

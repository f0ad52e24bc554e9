package chain

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/restore"
)

type roomNoiseParams struct {
	ReductionDB float64 `json:"reduction_db" default:"9" range:"0..12" doc:"the most it takes; common practice for narration 4 to 10"`
}

func (p roomNoiseParams) settings(f Facts) restore.NoiseSettings {
	s := restore.NoiseSettings{ReductionDB: p.ReductionDB}
	if hasTone(f.Facts) {
		s.RoomTone = f.RoomTone
	}
	return s
}

func roomNoise() Stage {
	return definition[roomNoiseParams]{
		name:  "room-noise",
		about: []described{{restore.Sources, "Noise"}},
		rev:   2,
		doc: `Takes steady noise of the room down, under the words as well as between them, by a reduction at
most: what the session's room tone holds of each frequency. Counts from the room tone at the chain's
input, so only a highpass, clicks, hum and plosives should stand before it. Idle for a session
without room tone.
Latency: 1024 samples at 44.1 kHz. See dsp/restore.Noise for formula and source.`,
		make: func(p roomNoiseParams, rateHz float64, f Facts) (dsp.Processor, error) {
			return restore.NewNoise(p.settings(f), rateHz)
		},
		settle: func(p roomNoiseParams, rateHz float64) int { return p.settings(Facts{}).Settle(rateHz) },
		idle:   idleWithoutTone[roomNoiseParams],
		practice: func(p roomNoiseParams) []string {
			return usual("reduction_db", p.ReductionDB, 4, 10, "less is hardly heard, more takes the breath of word ends with it")
		},
	}.stage()
}

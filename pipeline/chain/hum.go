package chain

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/restore"
)

type humParams struct {
	UpToHz float64 `json:"up_to_hz" default:"1000" range:"100..1100" doc:"the highest harmonic that is taken away; common practice for narration 400 and more"`
}

func hum() Stage {
	return definition[humParams]{
		name:  "hum",
		shown: ShownNot,
		about: []described{{restore.Sources, "Hum"}},
		rev:   2,
		doc: `Takes the mains' hum and its harmonics away by subtracting what was fitted to them in pauses, so that
the voice keeps all of its own. The profile finds whether there is hum and follows its frequency. A part
without keeps its bits. Stands before anything that moves gain.
Latency: 93,184 samples at 44.1 kHz, where there is hum. See dsp/restore.Hum for formula and source.`,
		make: func(p humParams, rateHz float64, f Facts) (dsp.Processor, error) {
			if len(f.Mains) == 0 || !hasTone(f.Facts) {
				return filter.New(nil), nil
			}
			return restore.NewHum(restore.HumSettings{UpToHz: p.UpToHz, Points: f.Mains, RoomTone: f.RoomTone}, rateHz)
		},
		settle: func(p humParams, rateHz float64) int {
			return restore.HumSettings{UpToHz: p.UpToHz}.Settle(rateHz)
		},
		idle: idleWithoutTone[humParams],
		practice: func(p humParams) []string {
			return usual("up_to_hz", p.UpToHz, 400, 1100, "less leaves the buzz")
		},
		marks: true,
	}.stage()
}

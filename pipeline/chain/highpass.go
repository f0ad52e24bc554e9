package chain

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
)

type highpassParams struct {
	CutoffHz         float64 `json:"cutoff_hz" range:"10..1000" doc:"where the level is 3 dB down"`
	SlopeDBPerOctave int     `json:"slope_db_per_octave" default:"12" oneof:"6,12,18,24,30,36,42,48"`
}

func highpass() Stage {
	return definition[highpassParams]{
		name:  "highpass",
		about: []described{{filter.Sources, "Highpass"}},
		rev:   1,
		doc: `Takes away rumble, footfall and the weight of close microphones below a cutoff.
No latency; the phase turns around the cutoff. Butterworth; see dsp/filter.Highpass for formula and source.`,
		make: func(p highpassParams, rateHz float64, _ Facts) (dsp.Processor, error) {
			return filtered(filter.Highpass(p.CutoffHz, p.SlopeDBPerOctave, rateHz))
		},
		settle: func(p highpassParams, rateHz float64) int {
			return settle(filter.Highpass(p.CutoffHz, p.SlopeDBPerOctave, rateHz))
		},
	}.stage()
}

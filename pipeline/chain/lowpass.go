package chain

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
)

type lowpassParams struct {
	CutoffHz         float64 `json:"cutoff_hz" range:"1000..20000" doc:"where the level is 3 dB down"`
	SlopeDBPerOctave int     `json:"slope_db_per_octave" default:"12" oneof:"6,12,18,24,30,36,42,48"`
}

func lowpass() Stage {
	return definition[lowpassParams]{
		name:  "lowpass",
		about: []described{{filter.Sources, "Lowpass"}},
		rev:   1,
		doc: `Takes away hiss and whistle above a cutoff.
No latency; the phase turns around the cutoff. Butterworth; see dsp/filter.Lowpass for formula and source.`,
		make: func(p lowpassParams, rateHz float64, _ Facts) (dsp.Processor, error) {
			return filtered(filter.Lowpass(p.CutoffHz, p.SlopeDBPerOctave, rateHz))
		},
		settle: func(p lowpassParams, rateHz float64) int {
			return settle(filter.Lowpass(p.CutoffHz, p.SlopeDBPerOctave, rateHz))
		},
	}.stage()
}

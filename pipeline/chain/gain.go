package chain

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/level"
)

type gainParams struct {
	GainDB float64 `json:"gain_db" range:"-24..24"`
}

func gain() Stage {
	return definition[gainParams]{
		name:  "gain",
		about: []described{{level.Sources, "Gain"}},
		rev:   1,
		doc: `Makes everything louder or softer by one amount. Levels of chapters are set at the end by the
spec; here it only feeds the stages behind it.
No latency. See dsp/level.Gain for the formula.`,
		make: func(p gainParams, _ float64, _ Facts) (dsp.Processor, error) {
			return level.NewGain(p.GainDB), nil
		},
		settle: func(gainParams, float64) int { return 0 },
	}.stage()
}

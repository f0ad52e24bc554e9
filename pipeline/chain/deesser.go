package chain

import (
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dynamics"
)

type deEsserParams struct {
	FromHz                float64 `json:"from_hz" range:"2000..14000" doc:"lower edge of the band that esses live in; usually 5000 to 6000"`
	ToHz                  float64 `json:"to_hz" range:"2500..19000" doc:"upper edge; usually 9000 to 10000"`
	ThresholdOverSpeechDB float64 `json:"threshold_over_speech_db" range:"-40..20" doc:"counts from the running speech level"`
	MaxCutDB              float64 `json:"max_cut_db" range:"0..24"`
	AttackMS              float64 `json:"attack_ms" default:"1" range:"0..50" doc:"time constant of a fall of the gain in dB"`
	ReleaseMS             float64 `json:"release_ms" default:"40" range:"1..150" doc:"time constant of a rise"`
	Mode                  string  `json:"mode" default:"split" oneof:"split,wide" doc:"split turns the band down, wide the whole voice"`
}

// Check wants a band.
func (p deEsserParams) Check() []Fault {
	if p.ToHz < 1.25*p.FromHz {
		return []Fault{{Path: "to_hz", Text: fmt.Sprintf("to_hz is %g; give %g or more, 1.25 times from_hz", p.ToHz, 1.25*p.FromHz)}}
	}
	return nil
}

func (p deEsserParams) settings() dynamics.DeEsserSettings {
	return dynamics.DeEsserSettings{FromHz: p.FromHz, ToHz: p.ToHz, ThresholdOverSpeechDB: p.ThresholdOverSpeechDB,
		MaxCutDB: p.MaxCutDB, AttackMS: p.AttackMS, ReleaseMS: p.ReleaseMS, Wide: p.Mode == "wide"}
}

func deEsser() Stage {
	return definition[deEsserParams]{
		name:  "de-esser",
		shown: ShownNot,
		about: []described{{dynamics.Sources, "DeEsser"}},
		rev:   3,
		doc: `Takes the sting out of esses: turns the band they live in down while it is loud against the
running speech level, in a whisper and in a shout alike: the level counts what of the vowels rises
and falls with the voice as esses do. A sh is spared. Behind another de-esser it
stands back in every ess in which that one works.
Latency: up to 0.8 ms, less the higher the band. See dsp/dynamics.DeEsser for formula and source.`,
		make: func(p deEsserParams, rateHz float64, _ Facts) (dsp.Processor, error) {
			return dynamics.NewDeEsser(p.settings(), rateHz)
		},
		settle: func(p deEsserParams, rateHz float64) int { return p.settings().Settle(rateHz) },
	}.stage()
}

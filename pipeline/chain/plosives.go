package chain

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/restore"
)

type plosivesParams struct {
	ThresholdOverSpeechDB float64 `json:"threshold_over_speech_db" default:"-18" range:"-40..0" doc:"what breath under 60 Hz has to reach, counted from the session's speech level; a pop as loud as the speech has some -10; common practice for narration -22 to -14"`
	MaxCutDB              float64 `json:"max_cut_db" default:"15" range:"0..24" doc:"how far the low band is turned down at its bottom; of 15 dB some 10 at 100 Hz and 5 at 190; common practice for narration 10 to 18"`
	ReleaseMS             float64 `json:"release_ms" default:"30" range:"5..200" doc:"time constant of coming back"`
}

func (p plosivesParams) settings(f Facts) restore.PlosivesSettings {
	return restore.PlosivesSettings{ThresholdDBFS: overSpeech(f, p.ThresholdOverSpeechDB), MaxCutDB: p.MaxCutDB, ReleaseMS: p.ReleaseMS}
}

func plosives() Stage {
	return definition[plosivesParams]{
		name:  "plosives",
		shown: ShownNot,
		about: []described{{restore.Sources, "Plosives"}},
		rev:   1,
		doc: `Takes the thud out of p and b where breath strikes the microphone: turns the lows down for a
moment, from just before it on. Neither a low voice nor a shout counts, and what doesn't pop keeps its
bits. Stands early, before compression. Idle for a session without speech.
Latency: 12,288 samples at 44.1 kHz. See dsp/restore.Plosives for formula and source.`,
		make: func(p plosivesParams, rateHz float64, f Facts) (dsp.Processor, error) {
			s := p.settings(f)
			if !known(f.SpeechDBFS) {
				s.ThresholdDBFS, s.MaxCutDB = 0, 0
			}
			return restore.NewPlosives(s, rateHz)
		},
		settle: func(p plosivesParams, rateHz float64) int { return p.settings(Facts{}).Settle(rateHz) },
		idle:   idleWithoutSpeech[plosivesParams],
		practice: func(p plosivesParams) []string {
			return append(usual("threshold_over_speech_db", p.ThresholdOverSpeechDB, -22, -14, "less takes lows from a breathy voice, more leaves pops that are heard"),
				usual("max_cut_db", p.MaxCutDB, 10, 18, "less leaves a thud, more makes a hole in the lows")...)
		},
	}.stage()
}

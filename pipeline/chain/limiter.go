package chain

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/level"
)

type limiterParams struct {
	CeilingOverSpeechDB float64 `json:"ceiling_over_speech_db" range:"0..30" doc:"true peak, counts from the session's speech level; common practice for narration 12 to 18"`
	ReleaseMS           float64 `json:"release_ms" default:"80" range:"10..800" doc:"time constant of a rise of the gain in dB"`
}

// settings are the limiter's for a ceiling in dBTP, held to what it can do.
func (p limiterParams) settings(ceilingDBTP float64) level.LimiterSettings {
	return level.LimiterSettings{CeilingDBTP: max(-30, min(0, ceilingDBTP)), ReleaseMS: p.ReleaseMS}
}

func limiter() Stage {
	return definition[limiterParams]{
		name:  "limiter",
		about: []described{{level.Sources, "Limiter"}},
		rev:   2,
		doc: `Keeps single peaks under a ceiling that counts from the session's speech level. Idle for a session
without speech. The spec's own ceiling is kept at the end without it. Stands last.
The ceiling in dBTP is the speech level and the parameter, -30 to 0.
Latency: 256 samples at 44.1 kHz. See dsp/level.Limiter for formula and source.`,
		make: func(p limiterParams, rateHz float64, f Facts) (dsp.Processor, error) {
			if !known(f.SpeechDBFS) {
				return filter.New(nil), nil
			}
			return level.NewLimiter(p.settings(float64(f.SpeechDBFS)+p.CeilingOverSpeechDB), rateHz)
		},
		settle: func(p limiterParams, rateHz float64) int {
			return p.settings(-30).Settle(rateHz) // the lowest ceiling has the longest way back
		},
		idle: idleWithoutSpeech[limiterParams],
		practice: func(p limiterParams) []string {
			return usual("ceiling_over_speech_db", p.CeilingOverSpeechDB, 12, 18, "lower flattens every stressed syllable, higher hardly ever works")
		},
	}.stage()
}

package chain

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/harmonics"
)

type harmonicsParams struct {
	SecondDB *float64 `json:"second_db" default:"" range:"-60..-20" doc:"level of the second harmonic beside a sine at the session's speech level; left out: none; common practice for narration -50 to -34"`
	ThirdDB  *float64 `json:"third_db" default:"" range:"-60..-20" doc:"level of the third; left out: none; common practice for narration -56 to -40"`
}

// Check wants one harmonic at least.
func (p harmonicsParams) Check() []Fault {
	if p.SecondDB == nil && p.ThirdDB == nil {
		return []Fault{{Path: "second_db", Text: "neither second_db nor third_db is given; give one of them, or take the stage out"}}
	}
	return nil
}

func addHarmonics() Stage {
	return definition[harmonicsParams]{
		name:  "harmonics",
		shown: ShownHarmonics,
		about: []described{{harmonics.Sources, "Harmonics"}},
		rev:   1,
		doc: `Adds a second and a third harmonic: warmth, and body. Levels count from the session's speech level;
what is louder keeps the distance, what is softer gets less, room tone none. Idle for a session
without speech. Stands after compression.
Latency: 124 samples at 44.1 kHz. See dsp/harmonics.Harmonics for formula and source.`,
		make: func(p harmonicsParams, rateHz float64, f Facts) (dsp.Processor, error) {
			s := harmonics.Settings{ReferenceDBFS: 0, SecondDB: math.Inf(-1), ThirdDB: math.Inf(-1)}
			if known(f.SpeechDBFS) {
				s = harmonics.Settings{ReferenceDBFS: overSpeech(f, 0), SecondDB: orNone(p.SecondDB), ThirdDB: orNone(p.ThirdDB)}
			}
			return harmonics.New(s, rateHz)
		},
		settle: func(_ harmonicsParams, rateHz float64) int { return harmonics.Settle(rateHz) },
		idle:   idleWithoutSpeech[harmonicsParams],
		practice: func(p harmonicsParams) []string {
			var lines []string
			if p.SecondDB != nil {
				lines = usual("second_db", *p.SecondDB, -50, -34, "less is not heard, more is heard as an effect")
			}
			if p.ThirdDB != nil {
				lines = append(lines, usual("third_db", *p.ThirdDB, -56, -40, "less is not heard, more sounds rough")...)
			}
			return lines
		},
	}.stage()
}

// orNone is a level, -Inf for one that was left out.
func orNone(db *float64) float64 {
	if db == nil {
		return math.Inf(-1)
	}
	return *db
}

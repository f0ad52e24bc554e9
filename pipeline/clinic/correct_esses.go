package clinic

import (
	"fmt"
	"math"
)

// How loud the middle ess of a voice is for a de-esser, dB against the running
// speech level, where nobody would call it sharp; found on the tuning voices.
const (
	essUsualOverSpeechDB = -7.0
	essSharpGoalDB       = -9.5 // where the diagnosis calls them sharp
	mostEssDB            = 3.0  // of esses that aren't sharp
	mostSharpDB          = 7.0
	leastEssDB           = 2.0
)

// deEsser turns down esses that stand out of what is usual for this voice; all
// of them where they are sharp throughout.
func (d *drafter) deEsser(y []float64, deeper float64) (s step, ok bool, err error) {
	habit := d.o.Habits.DeEsser
	if d.esses == nil || never(habit.Use) {
		return s, false, nil
	}
	levels, err := d.esses.heard(y, d.r.RateHz)
	if err != nil || len(levels) < essesNeeded {
		return s, false, err
	}
	middle, loud := share(levels, 0.5), share(levels, 0.95)
	goal := essUsualOverSpeechDB
	if _, told := d.found("esses"); told {
		goal = essSharpGoalDB
	}
	sharp := max(0, middle-goal)
	threshold := middle + 1 - deeper
	most := bounded(loud-middle, leastEssDB, mostEssDB)
	why := fmt.Sprintf("esses live from %.0f to %.0f Hz; the middle one is %.1f dB against speech, the sharpest twentieth %.1f", d.esses.fromHz, d.esses.toHz, middle, loud)
	if sharp > 0.5 {
		threshold = middle - sharp - deeper
		most = bounded(sharp+leastEssDB, leastEssDB, mostSharpDB)
		why += fmt.Sprintf(", sharp throughout by some %.0f dB", sharp)
	}
	if d.wants(SofterEsses) {
		threshold -= 2
		most = min(mostSharpDB, most+1)
		why += "; softer esses were wished"
	}
	most = min(most, or(habit.MostCutDB, most))
	return step{stage: "de-esser", params: fields{{"from_hz", d.esses.fromHz}, {"to_hz", d.esses.toHz}, {"threshold_over_speech_db", half(bounded(threshold, -40, 20))},
		{"max_cut_db", half(most)}, {"attack_ms", 1.0}, {"release_ms", math.Round(40)}}, why: why, corrective: true}, true, nil
}

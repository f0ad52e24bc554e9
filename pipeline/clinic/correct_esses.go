package clinic

import (
	"fmt"
	"math"
)

// How loud the middle ess of a voice is for a de-esser, dB against the running
// speech level. On the tuning voices it lies from -11.3 to -5.8, and 6 dB sharper
// from -8.1 to -0.4.
const (
	essUsualOverSpeechDB = -7.0  // over which it may be sharp
	essSharpGoalDB       = -11.0 // where the diagnosis calls them sharp: as the mildest are
	essOverUsual         = 1.5   // of what is over it is taken: with 1.0, sharp ones ended 4 to 5 dB over the voice's own
	mostEssDB            = 3.0   // of esses that aren't sharp
	mostSharpDB          = 9.0
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
	sharp := max(0, essOverUsual*(middle-essUsualOverSpeechDB))
	over := fmt.Sprintf("sharp throughout, %.1f dB over what is usual", middle-essUsualOverSpeechDB)
	if _, told := d.found("esses"); told {
		sharp = max(0, middle-essSharpGoalDB)
		over = fmt.Sprintf("sharp throughout, %.1f dB over mild ones", sharp)
	}
	if d.earlier != nil {
		if goal, ok, err := d.earlierEsses(); err != nil {
			return s, false, err
		} else if ok {
			sharp = max(0, middle-goal)
			over = fmt.Sprintf("%.1f dB over those of the approved recording", sharp)
		}
	}
	threshold := middle + 1 - deeper
	most := bounded(loud-middle, leastEssDB, mostEssDB)
	why := fmt.Sprintf("esses live from %.0f to %.0f Hz; the middle one is %.1f dB against speech, the sharpest twentieth %.1f", d.esses.fromHz, d.esses.toHz, middle, loud)
	if sharp > 0.5 {
		threshold = middle - sharp - deeper
		most = bounded(sharp+leastEssDB, leastEssDB, mostSharpDB)
		why += ", " + over
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

// earlierEsses is how loud the middle ess of the earlier recording is in the same
// band.
func (d *drafter) earlierEsses() (middle float64, ok bool, err error) {
	e := d.o.Earlier
	theirs := essesOf(e)
	if theirs == nil || d.esses.toHz >= 0.45*float64(e.RateHz) {
		return 0, false, nil
	}
	theirs.fromHz, theirs.toHz = d.esses.fromHz, d.esses.toHz
	levels, err := theirs.heard(e.x, e.RateHz)
	return share(levels, 0.5), err == nil && len(levels) >= essesNeeded, err
}

package clinic

import (
	"cmp"
	"fmt"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/restore"
	"chapterhouse/pipeline"
)

const (
	popOverDB   = 8.0  // over what would hide it, as the check of chapters has it
	popUnderDB  = 28.0 // under the voice: what is softer isn't taken note of
	popAMinute  = 1.5  // that a chain is to see to (own figure)
	popsAMinute = 8.0  // that call for another place of the microphone (own figure)
	popRestS    = 0.5  // until it is known what is usual
)

// plosives are breaths that strike the microphone. Value is how many in a minute
// of speech.
func plosives(r *Read) []Sign {
	s := Sign{Name: "plosives", Remedy: Good, Confidence: Likely, Unit: "a minute"}
	all := popsOf(r)
	minutes := max(r.Profile.SpeechS, 1) / 60
	s.Value = round1(float64(len(all)) / minutes)
	if r.Profile.SpeechS < 20 {
		s.Confidence = Unsure
	}
	if len(all) == 0 {
		s.Says = "no breath strikes the microphone"
		return []Sign{s}
	}
	slices.SortStableFunc(all, func(a, b popAt) int { return cmp.Compare(b.overDB, a.overDB) })
	for _, p := range all[:min(3, len(all))] {
		s.Places = append(s.Places, p.at)
	}
	s.Evidence = []string{fmt.Sprintf("%s of breath, the worst %.0f dB over what would hide it and %.0f dB to the voice, under some 60 Hz",
		plural(len(all), "burst", "bursts"), all[0].overDB, all[0].levelDB-float64(r.speech()))}
	rate := fmt.Sprintf("%.1f in a minute of speech", s.Value)
	switch {
	case s.Value >= popsAMinute:
		s.Remedy, s.Says = Processing, "breath strikes the microphone, "+rate+": a stage turns them down, a microphone beside the mouth's axis or a pop screen spares them"
	case s.Value >= popAMinute:
		s.Remedy, s.Says = Processing, "breath strikes the microphone, "+rate+": a stage turns them down"
	default:
		s.Says = "hardly any breath strikes the microphone, " + rate
	}
	return []Sign{s}
}

// A popAt is one of them.
type popAt struct {
	at              pipeline.Span
	overDB, levelDB float64 // at most
}

// popsOf finds them as the plosives stage does.
func popsOf(r *Read) (all []popAt) {
	if dsp.CheckRate(float64(r.RateHz)) != nil {
		return nil
	}
	pops := restore.NewPops(float64(r.RateHz))
	step := dsp.Frames(dsp.ControlStep(float64(r.RateHz)))
	var now popAt
	block := make([]float64, dsp.Quantum)
	late := dsp.Frames(pops.Latency())
	for from := dsp.Frames(0); from < dsp.Frames(len(r.x))+late; from += dsp.Quantum {
		clear(block)
		if from < dsp.Frames(len(r.x)) {
			copy(block, r.x[from:])
		}
		pops.Hear(block)
		limits := pops.LimitsDB()
		for i, level := range pops.LevelsDB() {
			over, at := level-limits[i], from-late+dsp.Frames(i)*step
			switch {
			case over > 0:
				if now.at.To == 0 {
					now = popAt{at: pipeline.Span{From: at}, overDB: over, levelDB: level}
				}
				now.at.To, now.overDB, now.levelDB = at+step, max(now.overDB, over), max(now.levelDB, level)
			case now.at.To != 0:
				if now.overDB >= popOverDB && now.levelDB >= float64(r.speech())-popUnderDB && now.at.From.Seconds(r.RateHz) >= popRestS {
					all = append(all, now)
				}
				now = popAt{}
			}
		}
	}
	return all
}

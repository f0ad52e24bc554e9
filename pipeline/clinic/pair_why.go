package clinic

import (
	"fmt"
	"math"
)

// explained is a step with its reason, as it was measured.
func (f *fitter) explained(st step, s sighting) step {
	switch st.stage {
	case "highpass":
		st.why = fmt.Sprintf("at 50 Hz the finished has %.0f dB less than at 200 Hz, against the raw", f.curveAt(s, 200)-f.curveAt(s, 50))
	case "eq":
		for i, band := range st.items {
			hz, _ := band[1].value.(float64)
			word, db := "more", f.curveAt(s, hz)-f.curveMiddle(s)
			if db < 0 {
				word = "less"
			}
			why := fmt.Sprintf("the finished has %.1f dB %s at %.0f Hz than in the middle of its spectrum, against the raw", math.Abs(db), word, hz)
			if gain := gainOf(band); gain*db < 0 { // the stages around it do more than what was seen
				why = fmt.Sprintf("beside what the other stages do at %.0f Hz, %+.1f dB are left there", hz, gain)
			}
			st.items[i] = append(band, field{"why", why})
		}
	case "compressor":
		st.why = fmt.Sprintf("louder than 3 dB over the speech level the voice comes out %.1f dB lower, against middling words", f.lostLoud(s))
	case "expander":
		st.why = fmt.Sprintf("room tone comes out %.1f dB lower, against middling words", f.lostTone(s))
	case "de-esser":
		st.why = fmt.Sprintf("the loudest twelfth from 5 to 9.5 kHz comes out %.1f dB lower there than other sounds do", f.lostEsses(s))
	case "ride":
		st.why = "phrases come out nearer to each other in level than a compressor of the same curve leaves them"
	}
	return st
}

// gainOf is the gain of a band of an eq, dB.
func gainOf(band fields) (db float64) {
	for _, f := range band {
		if f.key == "gain_db" {
			db, _ = f.value.(float64)
		}
	}
	return db
}

// curveAt is the static response that was measured near a frequency, dB.
func (f *fitter) curveAt(s sighting, hz float64) float64 {
	best := 0
	for i, b := range s.curve.band {
		if math.Abs(math.Log(b.Mid/hz)) < math.Abs(math.Log(s.curve.band[best].Mid/hz)) {
			best = i
		}
	}
	return s.curve.db[best]
}

// curveMiddle is the middle of the static response from 300 Hz to 5 kHz.
func (f *fitter) curveMiddle(s sighting) float64 {
	var v []float64
	for i, b := range s.curve.band {
		if b.Mid > 300 && b.Mid < 5000 {
			v = append(v, s.curve.db[i])
		}
	}
	return middleOf(v)
}

// lost is the middle of what frames and bands lose against middling speech, dB.
func (f *fitter) lost(s sighting, frames func(i int) bool, lowHz, highHz float64) float64 {
	var v []float64
	for i, row := range s.gains {
		if !frames(i) {
			continue
		}
		for b, band := range f.g.band {
			if band.Mid > lowHz && band.Mid < highHz && f.g.levels[i][b] >= pairNilDB {
				v = append(v, s.still[b]-row[b])
			}
		}
	}
	return middleOf(v)
}

func (f *fitter) lostLoud(s sighting) float64 {
	speech := float64(f.fit.Facts.SpeechDBFS)
	return f.lost(s, func(i int) bool { return f.g.speech[i] && s.wide[i] > speech+3 }, 220, 4200)
}

func (f *fitter) lostTone(s sighting) float64 {
	return f.lost(s, func(i int) bool { return f.g.tone[i] }, 100, 9000)
}

// lostEsses is what the loudest twelfth of the top of speech loses there.
func (f *fitter) lostEsses(s sighting) float64 {
	top, lost := f.tops(s)
	loud := share(top, essShare)
	var cut []float64
	for i, db := range top {
		if db > loud {
			cut = append(cut, lost[i])
		}
	}
	return middleOf(cut)
}

package clinic

import (
	"fmt"
	"math"

	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
)

// Borders chosen on the tuning voices; what a narrator's phrases spread by is
// common practice.
const (
	spreadMuchDB   = 14.0 // of the page's phrases: ride and compression have work
	spreadLittleDB = 2.0  // somebody levelled it before
	nearFloorDB    = 15.0 // softest words over the room tone, 400 Hz to 4 kHz
)

// phraseSpread is how far phrases spread in level. Value is the spread of the page's
// phrases, from the one that a twentieth of the time is softer than to the one
// that a twentieth is louder than, dB.
func phraseSpread(r *Read) []Sign {
	s := Sign{Name: "dynamics", Remedy: Good, Confidence: Likely, Unit: "dB"}
	var page []meter.Phrase
	for _, p := range r.Marks.Phrases {
		if r.Places.Page.Len() == 0 || p.From >= r.Places.Page.From && p.To <= r.Places.Page.To {
			page = append(page, p)
		}
	}
	if len(page) < 5 {
		s.Remedy, s.Confidence, s.Unit = Unknown, Unsure, ""
		s.Says = fmt.Sprintf("the spread of phrases can't be told: %s", plural(len(page), "was heard", "were heard"))
		return []Sign{s}
	}
	low, high := phraseLevels(page, r.RateHz)
	s.Value = round1(high - low)
	if r.Places.Quiet.Len() > 0 && r.Places.Loud.Len() > 0 {
		s.Evidence = append(s.Evidence, fmt.Sprintf("from the quiet line at %.1f dBFS to the loud line at %.1f dBFS are %.1f dB", r.levelOf(r.Places.Quiet), r.levelOf(r.Places.Loud), r.levelOf(r.Places.Loud)-r.levelOf(r.Places.Quiet)))
		s.Places = append(s.Places, r.Places.Quiet, r.Places.Loud)
	}
	margin, known := r.quietMargin()
	if known {
		s.Evidence = append(s.Evidence, fmt.Sprintf("the softest words stand %.0f dB over the room tone from 400 Hz to 4 kHz", margin))
	} else {
		s.Evidence = append(s.Evidence, "how far the softest words stand over the room tone can't be told")
	}
	spread := fmt.Sprintf("the page's phrases spread by %.1f dB", s.Value)
	switch {
	case known && margin < nearFloorDB:
		s.Remedy = Booth
		s.Says = fmt.Sprintf("%s, and the softest words stand only %.0f dB over the room tone: what takes the noise takes from them", spread, margin)
	case s.Value >= spreadMuchDB:
		s.Remedy, s.Says = Processing, spread+": riding phrase by phrase evens them"
	case s.Value <= spreadLittleDB:
		s.Remedy, s.Confidence = Unknown, Unsure
		s.Says = spread + ": very even, by nature or because something levelled them"
	default:
		s.Says = spread + ", as reading does"
	}
	return []Sign{s}
}

// phraseLevels is the levels that a twentieth of the time lies under and over.
func phraseLevels(phrases []meter.Phrase, rateHz int) (low, high float64) {
	var levels []float64
	for _, p := range phrases {
		for range max(1, int(math.Round(10*(p.To-p.From).Seconds(rateHz)))) {
			levels = append(levels, float64(p.Level))
		}
	}
	return share(levels, 0.05), share(levels, 0.95)
}

// quietMargin is how far the softest words stand over the room tone from 400 Hz to
// 4 kHz, dB.
func (r *Read) quietMargin() (float64, bool) {
	words, tone := 0.0, 0.0
	for i, b := range spectrum.SixthOctaves() {
		if b.Mid < 400 || b.Mid > 4000 || i >= len(r.Profile.QuietWords) || i >= len(r.Profile.RoomTone) {
			continue
		}
		words += math.Pow(10, float64(r.Profile.QuietWords[i])/10)
		tone += math.Pow(10, float64(r.Profile.RoomTone[i])/10)
	}
	if words <= 0 || tone <= 0 {
		return 0, false
	}
	return inDB(words) - inDB(tone), true
}

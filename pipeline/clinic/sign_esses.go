package clinic

import "fmt"

// Borders chosen on the tuning voices: their esses lie at -8 to -12 dB, a tenth
// of them over -5 at most.
const (
	essTold      = 8
	essSharpDB   = -4.0 // the middle one
	essSharpest  = 0.0  // that a tenth exceed
	essPiercing  = 2.0  // the middle one: sharp for sure
	essWhistleDB = 6.5  // a third of an octave over the mean of 4 to 12 kHz
)

// sharpEsses is the band of the esses and how loud they are. Value is the middle
// one's level against the vowels, dB; LowHz to HighHz is where they lie.
func sharpEsses(r *Read) []Sign {
	e := r.heard.esses
	s := Sign{Name: "esses", Unit: "dB", Confidence: Likely}
	if r.RateHz >= 16000 && e.count < essTold && e.speechS >= pageWantedS {
		s.Remedy, s.Unit = Good, ""
		s.Says = "the esses are mild: hardly one stands out of the voice"
		return []Sign{s}
	}
	if r.RateHz < 16000 || e.count < essTold {
		s.Remedy, s.Confidence, s.Unit = Unknown, Unsure, ""
		s.Says = fmt.Sprintf("the esses can't be told: %s heard on the page", plural(e.count, "was", "were"))
		return []Sign{s}
	}
	s.Value = round1(e.usualDB)
	s.Evidence = []string{fmt.Sprintf("of the %.0f loudest in a minute the middle one lies %+.1f dB to the vowels, a tenth over %+.1f", essAMinute, e.usualDB, e.sharpDB)}
	band := fmt.Sprintf("strongest about %.1f kHz", e.peakHz/1000)
	if of := essesOf(r); of != nil {
		s.LowHz, s.HighHz = of.fromHz, of.toHz
		band = fmt.Sprintf("%.1f to %.1f kHz, %s", of.fromHz/1000, of.toHz/1000, band)
	}
	if e.narrowDB >= essWhistleDB {
		s.Evidence = append(s.Evidence, fmt.Sprintf("they whistle: one third of an octave stands %.1f dB over the rest", e.narrowDB))
	}
	switch {
	case e.usualDB >= essSharpDB || e.sharpDB >= essSharpest:
		s.Remedy, s.Places = Processing, e.places[:min(3, len(e.places))]
		s.Says = fmt.Sprintf("the esses are sharp: %+.1f dB to the vowels, %s", e.usualDB, band)
		if e.usualDB >= essPiercing {
			s.Confidence = Sure
		}
	default:
		s.Remedy = Good
		s.Says = fmt.Sprintf("the esses are mild: %+.1f dB to the vowels, %s", e.usualDB, band)
	}
	return []Sign{s}
}

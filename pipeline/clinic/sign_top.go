package clinic

import "fmt"

// Borders chosen on the tuning voices, which lie within 3 dB.
const (
	dullDB, dullMuchDB   = -5.5, -9.0
	harshDB, harshMuchDB = 4.0, 7.0
	essesGiveDB          = 1.6 // what esses add to 2 to 5 kHz of speech on average
)

// top is a dull or harsh one. Value is how far the presence of the vowels (2 to
// 5 kHz), or for a dull one what is above with the esses (5 to 10 kHz), lies from
// speech on average against the middle of the voice, dB. Esses have their own sign.
func top(r *Read) []Sign {
	s := Sign{Name: "top", Confidence: Unsure, Unit: "dB"}
	high := min(10000, 0.42*float64(r.RateHz))
	presence, ok := r.against(r.heard.plain, 2000, 5000, 400, 1600)
	presence += essesGiveDB
	if !ok || high < 6500 {
		return []Sign{hidden(s, "whether the top is dull or harsh")}
	}
	air, airOK := r.against(r.heard.voice, 5000, high, 400, 1600)
	s.Value, s.LowHz, s.HighHz = round1(presence), 2000, 5000
	s.Evidence = []string{fmt.Sprintf("without the esses 2 to 5 kHz lie %+.1f dB to 400-1600 Hz, against speech on average (Byrne et al. 1994)", presence)}
	if !airOK {
		s.Evidence = append(s.Evidence, "above 5 kHz the room tone is as loud as the voice")
	} else {
		s.Evidence = append(s.Evidence, fmt.Sprintf("with them 5 to %.0f kHz lie %+.1f dB", high/1000, air))
		if air < presence && air <= dullDB {
			s.Value, s.LowHz, s.HighHz = round1(air), 5000, high
		}
	}
	where := fmt.Sprintf("%.0f to %.0f kHz", s.LowHz/1000, s.HighHz/1000)
	switch {
	case s.Value <= dullDB:
		s.Kind, s.Remedy, s.Says = "dull", Processing, fmt.Sprintf("the top is dull: %s lie %.1f dB under speech on average", where, -s.Value)
		s.Evidence = append(s.Evidence, "a microphone far off its axis, something before it, or the voice's own")
	case s.Value >= harshDB:
		s.Kind, s.Remedy, s.Says = "harsh", Processing, fmt.Sprintf("the top is harsh: %s lie %.1f dB over speech on average", where, s.Value)
	default:
		s.Remedy, s.Confidence, s.Says = Good, Likely, fmt.Sprintf("the top is neither dull nor harsh: %+.1f dB to speech on average", s.Value)
	}
	if s.Value <= dullMuchDB || s.Value >= harshMuchDB {
		s.Confidence = Likely
	}
	return []Sign{s}
}

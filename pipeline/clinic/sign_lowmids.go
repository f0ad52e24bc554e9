package clinic

import "fmt"

// Borders chosen on the tuning voices, which lie within 2 dB.
const (
	buildUpFromHz, buildUpToHz = 200.0, 500.0
	buildUpDB, buildUpMuchDB   = 3.5, 7.0
)

// lowMids is a build-up from 200 to 500 Hz. Value is how far it lies over the
// octave and a half above, against speech on average, dB.
func lowMids(r *Read) []Sign {
	s := Sign{Name: "low-mids", Confidence: Unsure, Unit: "dB", LowHz: buildUpFromHz, HighHz: buildUpToHz}
	v, ok := r.against(r.heard.voice, buildUpFromHz, buildUpToHz, 800, 2000)
	if !ok {
		return []Sign{hidden(s, "whether the low mids build up")}
	}
	s.Value = round1(v)
	s.Evidence = []string{
		fmt.Sprintf("%.0f to %.0f Hz lie %+.1f dB to 800-2000 Hz, against speech on average (Byrne et al. 1994, a gross yardstick: voices lie some 4 dB around it)", buildUpFromHz, buildUpToHz, v),
	}
	if below, ok := r.against(r.heard.voice, buildUpFromHz, buildUpToHz, max(80, 0.8*r.heard.pitch.LowHz), 180); ok && r.heard.pitch.LowHz > 0 && r.heard.pitch.LowHz < nearPitchHz {
		s.Evidence = append(s.Evidence, fmt.Sprintf("and %+.1f dB to what is below", below))
	}
	switch {
	case v >= buildUpMuchDB:
		s.Remedy, s.Confidence = Processing, Likely
		s.Says = fmt.Sprintf("the low mids build up: %.1f dB over speech on average from %.0f to %.0f Hz", v, buildUpFromHz, buildUpToHz)
	case v >= buildUpDB:
		s.Remedy = Processing
		s.Says = fmt.Sprintf("the low mids may build up: %.1f dB over speech on average from %.0f to %.0f Hz, which can be the voice's own", v, buildUpFromHz, buildUpToHz)
	default:
		s.Remedy, s.Confidence = Good, Likely
		s.Says = fmt.Sprintf("no build-up of the low mids: %+.1f dB to speech on average", v)
	}
	return []Sign{s}
}

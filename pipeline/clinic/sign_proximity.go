package clinic

import (
	"fmt"
	"math"
)

// Borders chosen on the tuning voices, which lie within 3 dB.
const (
	nearDB, nearMuchDB = 4.5, 10.0
	nearCM             = 12.0
	nearToHz           = 200.0
	nearPitchHz        = 150.0 // the lowest tenth of a voice: from there on there is nothing below 200 Hz to be judged
)

// proximity is a rise under 200 Hz beyond what the voice's pitch explains. Value
// is the rise against speech on average, dB.
func proximity(r *Read) []Sign {
	s := Sign{Name: "proximity", Remedy: Unknown, Confidence: Unsure}
	p := r.heard.pitch
	if p.LowHz == 0 {
		s.Says = "nearness can't be told: no pitch was found"
		return []Sign{s}
	}
	pitch := fmt.Sprintf("the voice speaks at %.0f Hz, a tenth of it under %.0f", p.MidHz, p.LowHz)
	if p.LowHz >= nearPitchHz {
		s.Says = fmt.Sprintf("nearness can't be told: the voice begins at %.0f Hz, and has hardly anything under %.0f", p.LowHz, nearToHz)
		s.Evidence = []string{pitch}
		return []Sign{s}
	}
	low := max(80, 0.8*p.LowHz)
	rise, ok := r.against(r.heard.voice, low, nearToHz, 400, 1600)
	if !ok {
		return []Sign{hidden(s, "nearness")}
	}
	s.Value, s.Unit, s.LowHz, s.HighHz = round1(rise), "dB", math.Round(low), nearToHz
	s.Evidence = []string{pitch, fmt.Sprintf("%.0f to %.0f Hz lie %+.1f dB to 400-1600 Hz, against speech on average (Byrne et al. 1994)", low, nearToHz, rise)}
	near := r.Form.DistanceCM > 0 && r.Form.DistanceCM <= nearCM
	if r.Form.DistanceCM > 0 {
		s.Evidence = append(s.Evidence, fmt.Sprintf("the form says %.0f cm; a directional microphone lifts the lows nearer than 30 cm, the more the nearer (common practice)", r.Form.DistanceCM))
	}
	switch {
	case rise >= nearMuchDB || rise >= nearDB && near:
		s.Remedy, s.Confidence = Processing, Likely
		s.Says = fmt.Sprintf("the microphone is so near that it lifts the lows: %.1f dB over speech on average under %.0f Hz", rise, nearToHz)
	case rise >= nearDB && r.Form.DistanceCM == 0:
		s.Says = fmt.Sprintf("%.1f dB over speech on average under %.0f Hz: a near microphone, the room or the voice's own; without the distance or an earlier recording it can't be told", rise, nearToHz)
	case rise >= nearDB:
		s.Says = fmt.Sprintf("%.1f dB over speech on average under %.0f Hz, more than %.0f cm explain: the room's or the voice's own", rise, nearToHz, r.Form.DistanceCM)
	default:
		s.Remedy = Good
		s.Says = fmt.Sprintf("nothing speaks of a microphone that is too near: %+.1f dB to speech on average under %.0f Hz", rise, nearToHz)
	}
	return []Sign{s}
}

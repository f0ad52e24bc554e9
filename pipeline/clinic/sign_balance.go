package clinic

import (
	"fmt"
	"math"

	"chapterhouse/dsp/spectrum"
)

// usualOver is how much of speech on average lies between two frequencies, dB.
func usualOver(fromHz, toHz float64) float64 {
	sum := 0.0
	for i, dB := range usualDB() {
		b := spectrum.ThirdOctaves()[thirdAt(usualFromHz)+i]
		share := math.Log(min(b.Upper, toHz)/max(b.Lower, fromHz)) / math.Log(b.Upper/b.Lower)
		sum += max(0, share) * math.Pow(10, dB/10)
	}
	return inDB(sum)
}

// against is how much more of one range of a spectrum there is against another
// than speech has on average, dB; false where the room tone hides either.
func (r *Read) against(power []float64, fromHz, toHz, refFromHz, refToHz float64) (float64, bool) {
	a, ok := r.heard.over(power, r.RateHz, fromHz, toHz)
	b, too := r.heard.over(power, r.RateHz, refFromHz, refToHz)
	return a - b - (usualOver(fromHz, toHz) - usualOver(refFromHz, refToHz)), ok && too
}

// Borders chosen on the tuning voices, which lie within 3 dB.
const (
	buildUpFromHz, buildUpToHz = 200.0, 500.0
	buildUpDB, buildUpMuchDB   = 3.5, 7.0
	dullDB, dullMuchDB         = -5.5, -9.0
	harshDB, harshMuchDB       = 4.0, 7.0
	essesGiveDB                = 1.6 // what esses add to 2 to 5 kHz of speech on average
	nearDB, nearMuchDB         = 4.5, 10.0
	nearCM                     = 12.0
	nearToHz                   = 200.0
	nearPitchHz                = 150.0 // the lowest tenth of a voice: from there on there is nothing below 200 Hz to be judged
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

// hidden is a sign that the room tone keeps from being told.
func hidden(s Sign, what string) Sign {
	s.Remedy, s.Confidence, s.Unit = Unknown, Unsure, ""
	s.Says = what + " can't be told: the room tone is as loud as the voice there"
	return s
}

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

package clinic

import (
	"fmt"
	"math"
)

// How a voice should stand in a recording of 24 bits: common practice.
const (
	loudPeakDBTP  = -6.0  // where the peak of the loudest line should lie
	plainPeakDBTP = -12.0 // and that of a page, which leaves 6 dB for such a line
	hotPeakDBTP   = -2.0
	softPeakDBTP  = -24.0
	clippedMoreDB = 6.0 // less than what is cut flat: how far it went beyond can't be known
	// softSpeechDBFS is what a night's gain reaches from: its reference is -23 dBFS,
	// its most 24 dB.
	softSpeechDBFS = -47.0
)

// inputLevel is how the voice stands under full scale. Value is the gain at the
// preamp that brings the loudest peak to where it should be, dB.
func inputLevel(r *Read) []Sign {
	if !r.speaks() {
		return []Sign{{Name: "level", Remedy: Unknown, Confidence: Unsure, Says: "the level can't be told: nobody speaks"}}
	}
	peak, speech := float64(r.Profile.Levels.TruePeak), float64(r.speech())
	aim, line := loudPeakDBTP, "the loud line"
	s := Sign{Name: "level", Remedy: Good, Confidence: Sure, Unit: "dB"}
	if r.Places.Loud.Len() == 0 {
		aim, line, s.Confidence = plainPeakDBTP, "the page", Likely
		s.Evidence = append(s.Evidence, "there is no loud line: 6 dB are left for one")
	} else {
		s.Places = append(s.Places, r.Places.Loud)
		s.Evidence = append(s.Evidence, fmt.Sprintf("the loud line: %.1f dBFS at its highest sample", r.peakOf(r.Places.Loud)))
	}
	s.Evidence = append(s.Evidence, fmt.Sprintf("the voice: %.1f dBFS while speaking (ITU-T P.56), true peak %.1f dBTP", speech, peak),
		fmt.Sprintf("common practice: the loudest line's peak at %.0f dBTP", loudPeakDBTP))
	gain := math.Round(aim - peak)
	stands := fmt.Sprintf("the voice is at %.1f dBFS while speaking and %s peaks at %.1f dBTP", speech, line, peak)
	switch cut := len(r.found("clipped")); {
	case cut > 0:
		s.Remedy, s.Value = Booth, min(gain, -clippedMoreDB)
		s.Says = fmt.Sprintf("%s, cut flat: %.0f dB less gain at least", stands, -s.Value)
	case peak > hotPeakDBTP:
		s.Remedy, s.Value = Booth, gain
		s.Says = fmt.Sprintf("%s: %.0f dB less gain would leave room for a louder line", stands, -gain)
	case speech < softSpeechDBFS:
		s.Remedy, s.Value = Booth, gain
		s.Says = fmt.Sprintf("%s, too soft to be brought up: %.0f dB more gain", stands, gain)
	case peak < softPeakDBTP:
		s.Remedy, s.Value = Processing, gain
		s.Says = fmt.Sprintf("%s: a gain brings it up, and next time %.0f dB more at the preamp are safe", stands, gain)
	default:
		s.Says = stands + ": a good level"
	}
	return []Sign{s}
}

// speaks tells whether anybody does.
func (r *Read) speaks() bool {
	return len(r.Marks.Phrases) > 0 && !math.IsInf(float64(r.speech()), 0) && !math.IsNaN(float64(r.speech()))
}

// clipping is where the wave is cut flat. Value is how many places.
func clipping(r *Read) []Sign {
	cut := r.found("clipped")
	s := Sign{Name: "clipping", Remedy: Good, Confidence: Sure, Unit: "places"}
	if len(cut) == 0 && !r.speaks() {
		s.Unit, s.Says = "", "nothing is cut flat"
		return []Sign{s}
	}
	if len(cut) == 0 {
		s.Says = fmt.Sprintf("nothing is cut flat: the highest peak is %.1f dB under full scale", -float64(r.Profile.Levels.TruePeak))
		if r.Profile.Levels.TruePeak > 0 {
			s.Says = fmt.Sprintf("no sample is cut flat, though the highest true peak is %v", r.Profile.Levels.TruePeak)
		}
		return []Sign{s}
	}
	s.Remedy, s.Value = Booth, float64(len(cut))
	onPage := 0
	for _, f := range cut {
		at := r.span(f.StartS, f.EndS)
		s.Places = append(s.Places, at)
		if at.From < r.Places.Page.To && at.To > r.Places.Page.From {
			onPage++
		}
	}
	s.Says = fmt.Sprintf("%s cut flat, %d of them on the page: what is cut can't be brought back", plural(len(cut), "place is", "places are"), onPage)
	s.Evidence = append(s.Evidence, cut[0].Measured)
	return []Sign{s}
}

// plural is a number with the word that it wants.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// clippedOnPage is how many places a minute of the page are cut flat.
func (r *Read) clippedOnPage() float64 {
	n := 0
	for _, f := range r.found("clipped") {
		if at := r.span(f.StartS, f.EndS); at.From < r.Places.Page.To && at.To > r.Places.Page.From {
			n++
		}
	}
	return float64(n) / max(0.5, r.Places.Page.Len().Seconds(r.RateHz)/60)
}

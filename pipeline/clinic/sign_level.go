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

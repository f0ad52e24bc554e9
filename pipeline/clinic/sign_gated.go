package clinic

import (
	"fmt"
	"math"
)

// gatedHardDB is from where on a gate is sure, and nothing to work with: between
// there and the check's own border rooms and breaths come now and then.
const gatedHardDB = 15.0

// gated is whether a gate or expander was at work. Value is how far the room is
// quieter between words than beneath them, dB.
func gated(r *Read) []Sign {
	s := Sign{Name: "gated", Remedy: Good, Confidence: Likely, Unit: "dB"}
	if r.Room.DigitalSilenceS > 1 {
		s.Remedy, s.Confidence, s.Unit, s.Value = Booth, Sure, "s", round1(r.Room.DigitalSilenceS)
		s.Says = fmt.Sprintf("the pauses hold digital silence, %.0f s in all: a gate, or an edit that took the room out", r.Room.DigitalSilenceS)
		s.Evidence = r.printed("gate", "expand", "mute")
		return []Sign{s}
	}
	found := r.found("gated")
	if len(found) == 0 {
		s.Unit, s.Says, s.Evidence = "", "no gate or expander is heard: the room beneath the words is the room between them", r.unheard("gate", "expand")
		if r.RateHz < 16000 || len(r.Marks.Phrases) < 4 {
			s.Remedy, s.Confidence, s.Says = Unknown, Unsure, "whether a gate was at work can't be told: it takes pauses, and what is above 6 kHz"
		}
		return []Sign{s}
	}
	s.Remedy, s.Value = Booth, round1(found[0].Value)
	if math.IsInf(s.Value, 0) || s.Value > 100 {
		s.Value = 100
	}
	if s.Value >= gatedHardDB {
		s.Confidence = Sure
	}
	s.Says = found[0].Measured + ": a gate, an expander or a noise reduction was at work, and what it took can't be brought back"
	s.Evidence = r.printed("gate", "expand", "noise", "denois")
	return []Sign{s}
}

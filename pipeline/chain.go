package pipeline

import (
	"encoding/json"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
)

// Resolved is one stage of a chain as a recipe holds it: every default filled
// in, so that a changed default changes the key.
type Resolved struct {
	Stage  string          `json:"stage"`
	Rev    int             `json:"rev"`
	Params json.RawMessage `json:"params"` // canonical JSON
}

// A Chain is the ordered stages for a narrator and a setup. It is immutable:
// its digest names it.
type Chain struct {
	Chain      string     `json:"chain"` // its name in the house
	Narrator   string     `json:"narrator"`
	Setup      string     `json:"setup"`
	SpeechDBFS dsp.DBFS   `json:"speech_dbfs"` // reference: plain RMS while speaking that thresholds count on
	Stages     []Resolved `json:"stages"`
	Reasons    []string   `json:"reasons,omitempty"` // why stages are as they are, one line each, for people
}

// Digest names the revision: reference and stages, not names or reasons.
func (c Chain) Digest() Digest {
	text, err := Canonical(struct {
		SpeechDBFS dsp.DBFS   `json:"speech_dbfs"`
		Stages     []Resolved `json:"stages"`
	}{c.SpeechDBFS, c.Stages})
	if err != nil {
		panic(err) // resolved parameters are JSON already
	}
	return DigestOf(text)
}

// Facts are the numbers of a session that stages need, as they stand at the
// chain's input, after the fit gain.
type Facts struct {
	SpeechDBFS dsp.DBFS `json:"speech_dbfs"` // ITU-T P.56 active speech level
	RoomTone   Spectrum `json:"room_tone"`   // empty where the session has none
	// QuietWords is how loud the quietest words are in each band: what all but a
	// twentieth of the seconds of speech reach. Empty where too little was spoken.
	QuietWords Spectrum `json:"quiet_words,omitempty"`
}

// Marks are the course of one part, found by its profile: frames of the work
// rate from the part's start, levels before any gain. They lie in a blob of
// their own, for stages that act at places.
type Marks struct {
	Phrases []meter.Phrase     `json:"phrases,omitempty"`
	Breaths []meter.Window     `json:"breaths,omitempty"`
	Mains   []meter.MainsPoint `json:"mains,omitempty"` // about one in 10 s; empty: no hum
}

// Spectrum is the level in each sixth-octave band of dsp/spectrum.SixthOctaves,
// plain RMS dBFS. Empty: not measured.
type Spectrum []dsp.DBFS

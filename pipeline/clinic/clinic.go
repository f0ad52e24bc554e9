// Package clinic makes of a narrator's test read what an engineer would say of
// it: what is good, what processing can mend and what only the booth can, and
// chains to try. It hears and reckons; pages and commands show what it says.
package clinic

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// A Read is a test read as it was heard: one channel, levels as recorded,
// places in frames of RateHz.
type Read struct {
	File     string  `json:"file"`
	RateHz   int     `json:"rate_hz"`
	SecondsS float64 `json:"seconds_s"`
	Form     Form    `json:"form"`
	// Notes are oddities of the file that were read over, and which side of two
	// was taken.
	Notes []string `json:"notes,omitempty"`

	// Profile and Marks are what a night would know of it.
	Profile pipeline.ProfileRecord `json:"profile"`
	Marks   pipeline.Marks         `json:"-"`
	Room    meter.Room             `json:"-"`
	// Likeness and Findings are what the checks that listen say.
	Likeness pipeline.Likeness  `json:"likeness"`
	Findings []pipeline.Finding `json:"findings"`
	Places   Places             `json:"places"`
	Signs    []Sign             `json:"signs"`

	x       []float64
	phrases []meter.Phrase // as Marks has them, their level A-weighted
	clicks  []dsp.Frames   // of mouth or machine
	heard   heard
	booth   boothHeard
}

// Samples is the read itself, one channel, ±1. Not to be written to.
func (r *Read) Samples() []float64 { return r.x }

// Places are where the four things that a test read should hold were found;
// empty ones weren't.
type Places struct {
	Quiet    pipeline.Span   `json:"quiet,omitzero"` // a quiet line
	Page     pipeline.Span   `json:"page,omitzero"`  // a normal page
	Loud     pipeline.Span   `json:"loud,omitzero"`  // a loud line
	RoomTone []pipeline.Span `json:"room_tone,omitempty"`
	// Missing says of each that is not there how sure the rest can still be, one
	// sentence each.
	Missing []string `json:"missing,omitempty"`
}

// Remedy is who can do something about a sign.
type Remedy string

const (
	Good       Remedy = "good"       // nothing is to be done
	Processing Remedy = "processing" // a chain mends it
	Booth      Remedy = "booth"      // only the booth, the microphone or the narrator can
	Unknown    Remedy = "can't tell"
)

// Confidence is how much a sign is worth.
type Confidence string

const (
	Sure   Confidence = "sure"
	Likely Confidence = "likely"
	Unsure Confidence = "unsure"
)

// A Sign is one thing that the diagnosis says of a read. Names are stable:
// level, clipping, floor, hum, resonance, reflection, reverberation, low-mids,
// top, esses, plosives, proximity, mouth-noise, dynamics, gated, denoised,
// limited, lossy, missing.
type Sign struct {
	Name       string     `json:"name"`
	Remedy     Remedy     `json:"remedy"`
	Confidence Confidence `json:"confidence"`
	Says       string     `json:"says"` // one sentence with its number
	// Value is what Says says in figures, in Unit; no Unit: it has none.
	Value float64 `json:"value,omitempty"`
	Unit  string  `json:"unit,omitempty"`
	// Kind is which of several it is: of a floor hiss, rumble, fan, hum or even;
	// of the top dull or harsh.
	Kind string `json:"kind,omitempty"`
	// HighHz and LowHz are where in the spectrum it is; 0: nowhere in particular.
	LowHz  float64 `json:"low_hz,omitempty"`
	HighHz float64 `json:"high_hz,omitempty"`
	// Q is how narrow a resonance is, and Sides names what makes it ("width",
	// "depth", "height"; near-equal ones together).
	Q     float64  `json:"q,omitempty"`
	Sides []string `json:"sides,omitempty"`
	// Evidence is what it rests on, one piece each.
	Evidence []string `json:"evidence,omitempty"`
	// Places are where it is heard, the clearest first.
	Places []pipeline.Span `json:"places,omitempty"`
}

// Verdict is what a test read promises.
type Verdict string

const (
	Workable    Verdict = "workable"
	WithChanges Verdict = "workable with changes"
	NotYet      Verdict = "not yet" // no chain mends it: what to change, and send again
)

// Advice is one thing to do, for a narrator.
type Advice struct {
	Do     string   `json:"do"`     // one kind sentence
	Reason string   `json:"reason"` // what was measured
	Signs  []string `json:"signs"`  // that it answers, by name
}

// A Report is all that the clinic says of a test read.
type Report struct {
	Read    *Read    `json:"read"`
	Verdict Verdict  `json:"verdict"`
	Why     string   `json:"why"`
	Advice  []Advice `json:"advice"` // the most useful first
	Drafts  []Draft  `json:"drafts"`
	// Cautions go with the advice wherever it is shown.
	Cautions []string `json:"cautions"`
}

// signsNamed are a read's signs of a name.
func (r *Read) signsNamed(name string) (out []Sign) {
	for _, s := range r.Signs {
		if s.Name == name {
			out = append(out, s)
		}
	}
	return out
}

// speech is the level while speaking, as recorded.
func (r *Read) speech() dsp.DBFS { return r.Profile.Levels.Speech }

// Package chain is the registry of stages: what a chain can be made of, how
// chain YAML becomes resolved stages, and how resolved stages become
// processors. It holds no signal processing of its own.
package chain

import (
	"encoding/json"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

// Params are one stage's parameters, resolved: every key present, in range,
// canonical JSON.
type Params = json.RawMessage

// A Stage is one processor that a chain can name.
type Stage struct {
	Name string
	Doc  string // what a listener hears, formula, parameters, latency, source
	Rev  int    // raised when the same parameters sound different: only users of the stage render again

	// Resolve fills in defaults and checks ranges. raw is the stage's YAML as
	// JSON, keys as written. All faults at once, each with its key.
	Resolve func(raw json.RawMessage) (Params, []Fault)
	// New makes the processor. What it needs to know of the recording comes
	// from facts; no stage makes a pass of its own.
	New func(p Params, rateHz float64, f Facts) (dsp.Processor, error)
	// Settle is the number of samples after which a cold start is within
	// -60 dB of a warm one.
	Settle func(p Params, rateHz float64) int
	// Practice says which parameters lie outside common practice for narration,
	// with the figure and what it leads to. nil: there is none.
	Practice func(p Params) []string
	// Idle says what the stage leaves undone with a session's facts, and why; nil:
	// it needs none.
	Idle func(p Params, f pipeline.Facts) []string
	// About is the doc comment of the processor: what a listener hears, formula,
	// parameters, latency, source, in this order.
	About func() (string, error)
	// Marks tells that New asks for the part's marks.
	Marks bool
	// Shown is what plain signals show of the stage.
	Shown Shown
	// forms are the structs that parameters are written in, with their tags;
	// several are items of a list.
	forms []any
}

// Shown is what can be plotted of a stage.
type Shown string

const (
	ShownGain      Shown = ""          // its gain: by frequency, or by level where it moves gain
	ShownHarmonics Shown = "harmonics" // what it adds to a tone
	ShownNot       Shown = "not"       // it acts on what is found in a recording
)

// Facts are what a profile said of a recording, as it stands at the chain's
// input, after the fit's gain.
type Facts struct {
	pipeline.Facts // of the session
	pipeline.Marks // of the part; empty for stages that don't ask for them
}

// FactsAt are a session's facts with a part's marks, whose levels are before
// the fit's gain.
func FactsAt(session pipeline.Facts, part pipeline.Marks, fitDB dsp.DB) Facts {
	phrases := slices.Clone(part.Phrases)
	for i := range phrases {
		phrases[i].Level += dsp.DBFS(fitDB)
	}
	part.Phrases = phrases
	return Facts{session, part}
}

// A Fault is one thing wrong with a stage's parameters (Path leads to it from
// the stage: "bands[1].ratio") or, from Parse, with a chain file.
type Fault = strict.Fault

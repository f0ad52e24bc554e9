// Package chain is the registry of stages: what a chain can be made of, how
// chain YAML becomes resolved stages, and how resolved stages become
// processors. It holds no signal processing of its own.
package chain

import (
	"encoding/json"

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
	New func(p Params, rateHz float64, f pipeline.Facts) (dsp.Processor, error)
	// Settle is the number of samples after which a cold start is within
	// -60 dB of a warm one.
	Settle func(p Params, rateHz float64) int
}

// A Fault is one thing wrong with a stage's parameters (Path leads to it from
// the stage: "bands[1].ratio") or, from Parse, with a chain file.
type Fault = strict.Fault

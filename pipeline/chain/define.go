package chain

import (
	"encoding/json"
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

// definition is a stage whose parameters are the Go struct P. Keys, ranges,
// defaults and the docs of each stand in P's tags (see strict.Decode).
type definition[P any] struct {
	name   string
	doc    string
	rev    int
	make   func(p P, rateHz float64, f Facts) (dsp.Processor, error)
	settle func(p P, rateHz float64) int

	about    []described        // the processors that it is made of
	practice func(p P) []string // nil: no practice to compare with
	idle     func(p P, f pipeline.Facts) []string
	marks    bool // make asks for the part's marks
	shown    Shown
}

func (d definition[P]) stage() Stage {
	var zero P
	s := Stage{
		Name: d.name,
		Doc:  d.doc + "\n\n" + strict.Doc(zero),
		Rev:  d.rev,
		Resolve: func(raw json.RawMessage) (Params, []Fault) {
			n, err := strict.FromJSON(raw)
			if err != nil {
				return nil, []Fault{{Text: fmt.Sprintf("parameters of %s are no JSON: %v", d.name, err)}}
			}
			var p P
			if faults := strict.Decode(n, d.name, &p); len(faults) > 0 {
				return nil, faults
			}
			return canonical(p), nil
		},
		New: func(params Params, rateHz float64, f Facts) (dsp.Processor, error) {
			var p P
			if err := json.Unmarshal(params, &p); err != nil {
				return nil, err
			}
			return d.make(p, rateHz, f)
		},
		Settle: func(params Params, rateHz float64) int {
			var p P
			if err := json.Unmarshal(params, &p); err != nil {
				return 0 // New says so
			}
			return d.settle(p, rateHz)
		},
		About: func() (string, error) { return about(d.about) },
		Marks: d.marks,
		Shown: d.shown,
		forms: []any{zero},
	}
	if d.practice != nil {
		s.Practice = func(params Params) []string {
			var p P
			if err := json.Unmarshal(params, &p); err != nil {
				return nil // New says so
			}
			return d.practice(p)
		}
	}
	if d.idle != nil {
		s.Idle = func(params Params, f pipeline.Facts) []string {
			var p P
			if err := json.Unmarshal(params, &p); err != nil {
				return nil // New says so
			}
			return d.idle(p, f)
		}
	}
	return s
}

// usual says that a value lies outside what is common practice for narration,
// and what that leads to; nothing if it doesn't.
func usual(key string, value, low, high float64, otherwise string) []string {
	if value >= low && value <= high {
		return nil
	}
	return []string{fmt.Sprintf("%s is %g, common practice for narration is %g to %g; %s", key, value, low, high, otherwise)}
}

// canonical is the one JSON text of parameters that were read in range.
func canonical(p any) Params {
	text, err := pipeline.Canonical(p)
	if err != nil {
		panic(err) // no number in range can't be written
	}
	return text
}

// overSpeech is the threshold in dBFS that lies overDB over a session's speech,
// within what detectors read.
func overSpeech(f Facts, overDB float64) float64 {
	return max(-80, min(0, float64(f.SpeechDBFS)+overDB))
}

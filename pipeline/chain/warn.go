package chain

import (
	"encoding/json"
	"fmt"

	"chapterhouse/pipeline"
)

// Warn says what about a chain is unusual for narration, each line with its
// reason. All of it is common practice, not a standard: a chain with warnings
// is as good as any other.
func Warn(c pipeline.Chain) []string {
	var lines []string
	for i, r := range c.Stages {
		for _, text := range append(order(c.Stages[:i], r), practice(r)...) {
			lines = append(lines, fmt.Sprintf("stage %d (%s): %s", i+1, r.Stage, text))
		}
	}
	return lines
}

// order compares a stage with those before it. The usual order is high-pass,
// noise and expander, corrective eq, compression, sweetening eq, de-esser.
func order(before []pipeline.Resolved, r pipeline.Resolved) []string {
	after := map[string]bool{}
	for _, b := range before {
		after[b.Stage] = true
	}
	var lines []string
	switch {
	case r.Stage == "highpass" && after["compressor"]:
		lines = append(lines, "it usually stands before the compressor, which rumble would move")
	case r.Stage == "highpass" && after["expander"]:
		lines = append(lines, "it usually stands before the expander, which rumble would hold open")
	case r.Stage == "expander" && after["compressor"]:
		lines = append(lines, "it usually stands before the compressor, which lifts the room tone that its thresholds count from")
	case r.Stage == "compressor" && after["de-esser"]:
		lines = append(lines, "the de-esser usually stands after it, for it brings esses up again beside the vowels it turns down")
	case r.Stage == "eq" && after["compressor"] && corrective(r):
		lines = append(lines, "cuts this narrow usually stand before the compressor, which the resonance would move")
	}
	return lines
}

// corrective tells whether an eq mends a resonance rather than shapes a tone:
// it has a notch, or a bell of 3 dB down or more with a q of 2 or more.
func corrective(r pipeline.Resolved) bool {
	var p eqParams
	if err := json.Unmarshal(r.Params, &p); err != nil {
		return false
	}
	for _, b := range p.Bands {
		switch b := b.(type) {
		case *notch:
			return true
		case *bell:
			if b.GainDB <= -3 && b.Q >= 2 {
				return true
			}
		}
	}
	return false
}

// practice compares a stage's numbers with those usual for narration.
func practice(r pipeline.Resolved) []string {
	s, err := find(r)
	if err != nil || s.Practice == nil {
		return nil
	}
	return s.Practice(r.Params)
}

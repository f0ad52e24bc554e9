package chain

import (
	"encoding/json"
	"fmt"

	"chapterhouse/dsp/dynamics"
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
	var lines []string
	usual := func(key string, value, low, high float64, otherwise string) {
		if value < low || value > high {
			lines = append(lines, fmt.Sprintf("%s is %g, common practice for narration is %g to %g; %s", key, value, low, high, otherwise))
		}
	}
	switch r.Stage {
	case "compressor":
		var p compressorParams
		if json.Unmarshal(r.Params, &p) != nil {
			return nil
		}
		low, high := 1.0, 3.0
		if p.Detector == dynamics.DetectorPeak {
			low, high = 5, 7
		}
		usual("threshold_over_speech_db", p.ThresholdOverSpeechDB, low, high,
			fmt.Sprintf("lower turns down every word, higher hardly any, with detector %s", p.Detector))
	case "expander":
		var p expanderParams
		if json.Unmarshal(r.Params, &p) != nil {
			return nil
		}
		for i, b := range p.Bands {
			usual(fmt.Sprintf("bands[%d].ratio", i), b.Ratio, 1.3, 2, "steeper is heard as a gate")
			usual(fmt.Sprintf("bands[%d].range_db", i), b.RangeDB, 6, 10, "more is heard as a hole between words")
		}
		usual("hold_ms", p.HoldMS, 80, 150, "shorter chatters, longer lets the room be heard after words")
		usual("release_ms", p.ReleaseMS, 120, 300, "shorter cuts word ends, longer lets the room be heard after words")
	}
	return lines
}

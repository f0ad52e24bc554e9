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

// An unusual is a stage that stands after another one which it usually precedes.
type unusual struct{ stage, after, why string }

// unusuals hold the usual order for narration: high-pass, clicks, hum and
// plosives, room noise, expander and breaths, corrective eq, ride, compression,
// harmonics, sweetening eq, de-esser, limiter.
func unusuals() []unusual {
	return []unusual{
		{"highpass", "compressor", "which rumble would move"},
		{"highpass", "expander", "which rumble would hold open"},
		{"clicks", "room-noise", "which smears a click until it can't be told any more"},
		{"clicks", "expander", "which a click would open"},
		{"clicks", "compressor", "which a click would move"},
		{"hum", "room-noise", "which takes hum for room noise and leaves it uneven"},
		{"hum", "expander", "whose moving gain makes the hum uneven, and it is fitted as steady"},
		{"hum", "compressor", "whose moving gain makes the hum uneven, and it is fitted as steady"},
		{"plosives", "compressor", "which a burst would push down"},
		{"room-noise", "expander", "which makes the room tone uneven that it counts from"},
		{"room-noise", "compressor", "which makes the room tone uneven that it counts from"},
		{"expander", "compressor", "which lifts the room tone that its thresholds count from"},
		{"breaths", "compressor", "which lifts breaths against the voice"},
		{"ride", "compressor", "which it is to spare the work"},
		{"compressor", "de-esser", "for it brings esses up again beside the vowels it turns down"},
		{"harmonics", "de-esser", "for it adds treble to the esses that were tamed"},
		{"compressor", "limiter", "for what comes after can rise over the ceiling again"},
		{"eq", "limiter", "for what comes after can rise over the ceiling again"},
		{"gain", "limiter", "for what comes after can rise over the ceiling again"},
		{"lowpass", "limiter", "for what comes after can rise over the ceiling again"},
		{"harmonics", "limiter", "for what comes after can rise over the ceiling again"},
	}
}

// order compares a stage with those before it.
func order(before []pipeline.Resolved, r pipeline.Resolved) []string {
	after := map[string]bool{}
	var slower *compressorParams
	for _, b := range before {
		after[b.Stage] = true
		if c := compressing(b); c != nil {
			slower = c
		}
	}
	var lines []string
	for _, u := range unusuals() {
		if u.stage == r.Stage && after[u.after] {
			lines = append(lines, fmt.Sprintf("it usually stands before the %s, %s", u.after, u.why))
		}
	}
	if r.Stage == "eq" && after["compressor"] && corrective(r) {
		lines = append(lines, "cuts this narrow usually stand before the compressor, which the resonance would move")
	}
	if c := compressing(r); c != nil && slower != nil && c.AttackMS < slower.AttackMS {
		lines = append(lines, fmt.Sprintf("the faster of two compressors usually stands first (attack_ms %g after %g), so that the slower one hears no crests", c.AttackMS, slower.AttackMS))
	}
	return lines
}

// compressing is the parameters of a compressor that hears the whole spectrum,
// nil for other stages: one of a part hears other crests.
func compressing(r pipeline.Resolved) *compressorParams {
	var p compressorParams
	if r.Stage != "compressor" || json.Unmarshal(r.Params, &p) != nil || p.AboveHz > 0 || p.BelowHz > 0 {
		return nil
	}
	return &p
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

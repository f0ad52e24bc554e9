package main

import (
	"math"

	"chapterhouse/pipeline"
	"chapterhouse/testdata/voices/plant"
)

// A naming is how a planted fault may be named: by which checks, and how far
// off. A finding that covers several places begins at the first.
type naming struct {
	checks []string
	tolS   float64 // between where the finding begins and one of the places
	within bool    // a finding anywhere in the place will do: the fault lasts
}

const (
	impulseS = 0.020
	editS    = 0.3
	changeS  = 2.0
)

// namings are by kind of fault. A new check that hears one of these stands here
// and nowhere else.
func namings() map[string]naming {
	return map[string]naming{
		"click":            {checks: []string{"clicks"}, tolS: impulseS},
		"mouth-noise":      {checks: []string{"mouth-noise"}, tolS: changeS, within: true},
		"plosive":          {checks: []string{"plosives"}, tolS: 0.05},
		"esses":            {checks: []string{"esses"}, tolS: 0.1},
		"hum":              {checks: []string{"hum"}, tolS: changeS, within: true},
		"floor-change":     {checks: []string{"floor-change", "room-tone-jump"}, tolS: changeS},
		"room-tone-jump":   {checks: []string{"room-tone-jump", "floor-change"}, tolS: editS},
		"room-tone-colour": {checks: []string{"room-tone-jump", "floor-change"}, tolS: editS},
		"dropout":          {checks: []string{"dropout", "digital-silence"}, tolS: impulseS},
		"digital-silence":  {checks: []string{"digital-silence", "dropout"}, tolS: impulseS},
		"clip":             {checks: []string{"clipped"}, tolS: impulseS},
		"drift":            {checks: []string{"drift"}, within: true},
		"dead-side":        {checks: []string{"channels"}, tolS: changeS, within: true},
		"sides":            {checks: []string{"channels"}, tolS: changeS, within: true},
		"long-pause":       {checks: []string{"pauses"}, tolS: editS},
		"repeated-take":    {checks: []string{"repeated-take", "false-start"}, tolS: editS},
		"pasted-take":      {checks: []string{"repeated-take", "false-start"}, tolS: editS},
		"chapter-level":    {checks: []string{"family"}, within: true},
		"moved-microphone": {checks: []string{"family"}, within: true},
		"chapter-floor":    {checks: []string{"family"}, within: true},
		"chapter-pace":     {checks: []string{"family"}, within: true},
		"reverberation":    {checks: []string{"family"}, within: true},
		"length":           {checks: []string{"manuscript"}, within: true},
		"narrow-band":      {checks: []string{"once-lossy", "low-rate"}, within: true},
		"false-start":      {checks: []string{"false-start", "repeated-take"}, tolS: editS},
	}
}

// off is how far a finding begins from the nearest of the places, and whether it
// names one of them.
func (n naming) off(f pipeline.Finding, places []plant.Span, rateHz int) (seconds float64, named bool) {
	known := false
	for _, c := range n.checks {
		known = known || f.Check == c
	}
	if !known {
		return 0, false
	}
	seconds = math.Inf(1)
	for _, p := range places {
		from, to := float64(p.From)/float64(rateHz), float64(p.To)/float64(rateHz)
		off := math.Abs(f.StartS - from)
		if f.StartS >= from && f.StartS <= to && to-from <= changeS {
			off = 0 // a click has no better place than its middle
		}
		if off <= n.tolS || n.within && f.StartS <= to && max(f.EndS, f.StartS) >= from {
			seconds, named = min(seconds, off), true
		}
	}
	return seconds, named
}

package main

import (
	"math"
	"testing"

	"chapterhouse/testdata/voices/speech"
)

// TestBreathRowsFall holds each limit from both sides.
func TestBreathRowsFall(t *testing.T) {
	good := breathCount{drawn: 20, hit: 18, found: 20, before: 4, after: 1}
	for name, c := range map[string]struct {
		spoil func(*breathCount)
		met   bool
	}{
		"good":               {func(*breathCount) {}, true},
		"two missed of ten":  {func(c *breathCount) { c.drawn = 23 }, false},
		"two false in ten":   {func(c *breathCount) { c.found = 23 }, false},
		"a word turned down": {func(c *breathCount) { c.touched = 500 }, false},
		"hardly lowered":     {func(c *breathCount) { c.after = 3.9 }, false},
		"nothing at all":     {func(c *breathCount) { *c = breathCount{} }, false},
	} {
		b := good
		c.spoil(&b)
		var rows table
		if b.hold(&rows, ""); rows.met() != c.met {
			t.Errorf("%s: met is %v", name, rows.met())
		}
	}
}

// A found stretch hits by half of either, and one breath only; only changed
// words count.
func TestBreathsAreCounted(t *testing.T) {
	raw, y := make([]float64, 1000), make([]float64, 1000)
	for i := range raw {
		raw[i], y[i] = 1, 1
		if i >= 100 && i < 200 {
			y[i] = 0.5
		}
	}
	y[950] = 0.9
	var c breathCount
	c.count([]speech.Mark{{Kind: "breath", From: 100, To: 200}, {Kind: "breath", From: 130, To: 170}, {Kind: "breath", From: 400, To: 500}, {Kind: "sentence", From: 900, To: 1000}},
		[][2]int64{{120, 180}, {470, 560}}, raw, y)
	if c.drawn != 3 || c.hit != 1 || c.found != 2 || c.touched != 1 || math.Abs(c.loweredDB()-6.02) > 0.01 {
		t.Errorf("counted %+v", c)
	}
}

package main

import (
	"math"
	"strings"
	"testing"
)

// TestPlosiveRowsFall holds each limit from both sides.
func TestPlosiveRowsFall(t *testing.T) {
	good := func() plosiveCount {
		down := map[float64][]float64{}
		for _, level := range plosiveLevels() {
			down[level] = []float64{0, 8, 9, 12, 12, 12, 12, 12, 12, 12}
		}
		return plosiveCount{down: down, elsewhere: 0.29, windows: share{0, 9}, untouched: share{2, 2}, shouts: share{2, 2}}
	}
	for _, tt := range []struct {
		fall  string
		spoil func(c *plosiveCount)
	}{
		{"", func(*plosiveCount) {}},
		{"", func(c *plosiveCount) { c.down[-12] = []float64{0} }},
		{"pops at +0 dB", func(c *plosiveCount) { c.down[0][1] = 7.9 }},
		{"pops at +6 dB", func(c *plosiveCount) { c.down[6] = []float64{3} }},
		{"pops at +6 dB", func(c *plosiveCount) { c.down[6] = nil }},
		{"elsewhere", func(c *plosiveCount) { c.elsewhere = 0.31 }},
		{"without pops", func(c *plosiveCount) { c.worst = 0.31 }},
		{"shouts", func(c *plosiveCount) { c.shouted = 0.31 }},
	} {
		c := good()
		tt.spoil(&c)
		var printed, tuned table
		c.fill(&printed, "voices", true)
		c.fill(&tuned, "tuned on", false)
		if got := falls(printed); tt.fall == "" && got != "" || !strings.Contains(got, tt.fall) {
			t.Errorf("fallen: %q, want %q", got, tt.fall)
		}
		if got := falls(tuned); got != "" {
			t.Errorf("voices that were tuned on only tell, and %q fell", got)
		}
	}
}

// TestChestChange finds 1 dB of 120 Hz within a quarter of a second, and leaves
// out what is near.
func TestChestChange(t *testing.T) {
	x, y, near := make([]float64, 2*restorationHz), make([]float64, 2*restorationHz), make([]bool, 2*restorationHz)
	for i := range x {
		x[i] = math.Sin(2 * math.Pi * 120 * float64(i) / restorationHz)
		y[i] = x[i]
		if i > restorationHz && i < restorationHz*5/4 {
			y[i] *= math.Pow(10, -1./20)
		}
		near[i] = i > restorationHz*8/10 && i < restorationHz*15/10
	}
	var windows share
	if got := chestChange(x, y, nil, &windows); math.Abs(got-1) > 0.1 || windows.of < 4 || windows.of > 8 || windows.all != 40 {
		t.Errorf("%.2f dB, %v windows", got, windows)
	}
	if got := chestChange(x, y, near, nil); got > 0.02 {
		t.Errorf("%.3f dB though what changes is near", got)
	}
}

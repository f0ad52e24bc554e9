package main

import (
	"math"
	"strings"
	"testing"

	"chapterhouse/dsp/meter"
)

// TestHumRowsFall holds each limit from both sides.
func TestHumRowsFall(t *testing.T) {
	for _, tt := range []struct {
		fall  string
		spoil func(c *humCount)
	}{
		{"", func(*humCount) {}},
		{"found", func(c *humCount) { c.found-- }},
		{"course off", func(c *humCount) { c.track([]meter.MainsPoint{{At: 60 * restorationHz, Hz: 50.221}}, 50) }},
		{"harmonics that stay", func(c *humCount) { c.left = 1 }},
		{"85 to 150 Hz", func(c *humCount) { c.voice = 0.31 }},
		{"without hum", func(c *humCount) { c.changed = 1 }},
	} {
		c := humCount{recordings: 4, found: 4, harmonics: 32, clean: 2, voice: 0.29}
		c.track([]meter.MainsPoint{{At: 60 * restorationHz, Hz: 50.219}}, 50)
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

// A harmonic's level follows its course, and a shifted one doesn't hear it.
func TestHumDBFollowsTheCourse(t *testing.T) {
	x := make([]float64, 12*restorationHz)
	for i := range x {
		at := float64(i) / restorationHz
		x[i] = math.Sin(2 * math.Pi * 3 * (50*at + humDrift/60*at*at/2))
	}
	on := humDB(x, 50, 3, 0)
	if off := humDB(x, 50, 3, 2); off > on-60 {
		t.Errorf("%.1f dB on the harmonic, %.1f beside", on, off)
	}
	if other := humDB(x, 50, 2, 0); other > on-60 {
		t.Errorf("%.1f dB on the harmonic, %.1f on another", on, other)
	}
}

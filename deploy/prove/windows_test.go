package main

import (
	"math"
	"slices"
	"testing"

	"chapterhouse/pipeline/spec"
)

// TestWindowsFail puts one wrong file after the other among right ones.
func TestWindowsFail(t *testing.T) {
	s, ok := spec.Builtin("broadcast")
	if !ok {
		t.Fatal("no broadcast")
	}
	for _, c := range []struct {
		name  string
		files int
		at    []float64
		peaks []float64
		want  []bool // level, true peak
	}{
		{"right", 3, []float64{-23, -23.2, -22.8}, []float64{-6, -1, -2}, []bool{true, true}},
		{"quiet", 3, []float64{-23, -23.21, -22.8}, []float64{-6, -1, -2}, []bool{false, true}},
		{"loud", 3, []float64{-23, -23.2, -22.79}, []float64{-6, -1, -2}, []bool{false, true}},
		{"one channel for two", 1, []float64{-26.01}, []float64{-6}, []bool{false, true}},
		{"no loudness", 2, []float64{-23, math.NaN()}, []float64{-6, -6}, []bool{false, true}},
		{"over the ceiling", 2, []float64{-23, -23}, []float64{-6, -0.99}, []bool{true, false}},
		{"no true peak", 2, []float64{-23, -23}, []float64{math.NaN(), -6}, []bool{true, false}},
		{"one that was not read", 3, []float64{-23, -23}, []float64{-6, -6}, []bool{false, false}},
		{"none delivered", 0, nil, nil, []bool{false, false}},
	} {
		var tab table
		verified{Spec: s, files: c.files, at: c.at, peaks: c.peaks}.fill(&tab)
		var got []bool
		for _, r := range tab.rows {
			got = append(got, r.met)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: met %v, want %v", c.name, got, c.want)
		}
	}
}

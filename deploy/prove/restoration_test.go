package main

import (
	"math"
	"strings"
	"testing"
)

// gained runs x through a short-time spectrum and back, each bin with a gain of
// its own: Hann windows of 1024 samples, half overlapped.
func gained(x []float64, gain func(frame, bin int) float64) []float64 {
	g := newFrameGrid(1024, 512, 1024)
	out := make([]float64, len(x))
	for i := range g.frames(len(x)) {
		clear(g.im)
		for k, w := range g.window {
			g.re[k] = w * x[i*512+k]
		}
		g.fft.Forward(g.re, g.im)
		for k := range g.re {
			v := gain(i, min(k, 1024-k))
			g.re[k] *= v
			g.im[k] *= v
		}
		g.fft.Inverse(g.re, g.im)
		for k, v := range g.re {
			out[i*512+k] += v
		}
	}
	return out
}

// spectra are the power spectra of every frame of that grid.
func spectra(x []float64) [][]float64 {
	g := newFrameGrid(1024, 512, 1024)
	out := make([][]float64, g.frames(len(x)))
	for i := range out {
		out[i] = make([]float64, 513)
		g.power(x, i, out[i])
	}
	return out
}

// TestMeasuresOfKnownProcessors: a Wiener filter that knows voice and noise
// gains by every figure; a gate that cuts words costs intelligibility; a gain
// that fills gaps between syllables costs modulation; and a filter that does
// nothing gives nothing.
func TestMeasuresOfKnownProcessors(t *testing.T) {
	clean := spoken(t)
	x := withNoise(clean, 10)
	noise := make([]float64, len(x))
	for i := range x {
		noise[i] = x[i] - clean[i]
	}
	s, n := spectra(clean), spectra(noise)
	level := make([]float64, len(s)) // of the voice's frames
	loudest := 0.0
	for i, bins := range s {
		for _, p := range bins {
			level[i] += p
		}
		loudest = max(loudest, level[i])
	}
	raw := measured(clean, x)
	of := func(gain func(frame, bin int) float64) figures {
		return compared(raw, measured(clean, gained(x, gain)))
	}

	still := of(func(int, int) float64 { return 1 })
	if math.Abs(still.snrGained) > 0.1 || math.Abs(still.distanceGained) > 0.05 || math.Abs(still.estoiLost) > 0.002 || math.Abs(still.lost-still.rawLost) > 0.1 || math.Abs(still.lowered) > 0.2 {
		t.Errorf("nothing was done, and the figures are %+v", still)
	}
	wiener := of(func(i, k int) float64 { return max(0.25, s[i][k]/(s[i][k]+n[i][k]+1e-30)) })
	if wiener.snrGained < 3 || wiener.distanceGained < 2 || wiener.estoiLost > -0.02 || wiener.lost > wiener.rawLost || wiener.lowered < 8 {
		t.Errorf("a filter that knows voice and noise gives %+v", wiener)
	}
	gate := of(func(i, k int) float64 {
		if level[i] < loudest/100 {
			return 0.03
		}
		return 1
	})
	if gate.estoiLost < 2*estoiLimit {
		t.Errorf("a gate at -20 dB costs %.3f of ESTOI", gate.estoiLost)
	}
	filled := compared(measured(clean, clean), measured(clean, gained(clean, func(i, k int) float64 { return math.Pow(max(level[i], loudest*1e-4)/loudest, -0.3) })))
	if filled.lost < modulationLimitDB || filled.rawLost != 0 {
		t.Errorf("syllables at 0.4 of their range lose %.1f dB of modulation, at all of it %.1f", filled.lost, filled.rawLost)
	}
}

// TestRestorationRowsFall holds each limit from both sides.
func TestRestorationRowsFall(t *testing.T) {
	good := figures{snrGained: 3, distanceGained: 2, lost: 1, rawLost: 2, estoiLost: 0, worstESTOI: 0.005, distance: 0.3, nearer: 2}
	for _, c := range []struct {
		body, falls   string // the row that does
		tune, printed func(f *figures)
	}{
		{"noise", "", nil, nil},
		{"noise", "segmental", nil, func(f *figures) { f.snrGained = -0.1 }},
		{"noise", "segmental", func(f *figures) { f.snrGained = 4.1 }, nil},
		{"noise", "segmental", nil, func(f *figures) { f.snrGained = math.NaN() }},
		{"noise", "distance gained", nil, func(f *figures) { f.distanceGained = 0.9 }},
		{"noise", "modulation", nil, func(f *figures) { f.lost, f.rawLost = 1.6, 0.7 }},
		{"noise", "modulation", nil, func(f *figures) { f.lost = 2.1 }},
		{"noise", "modulation", func(f *figures) { f.lost = -0.2 }, nil},
		{"noise", "ESTOI", nil, func(f *figures) { f.worstESTOI = 0.011 }},
		{"noise", "ESTOI", func(f *figures) { f.estoiLost = 0.06 }, nil},
		{"clicks", "", nil, func(f *figures) { f.snrGained = -0.6 }},
		{"clicks", "difference", nil, func(f *figures) { f.nearer = -0.1 }},
		{cleanBody, "", nil, nil},
		{cleanBody, "distance", nil, func(f *figures) { f.distance = 1.1 }},
		{cleanBody, "distance", func(f *figures) { f.distance = 1.4 }, nil},
	} {
		tune, printed := good, good
		if c.tune != nil {
			c.tune(&tune)
		}
		if c.printed != nil {
			c.printed(&printed)
		}
		var tb table
		hold(&tb, "it: ", body{name: c.body, rare: c.body == "clicks"}, tune, printed)
		for _, r := range tb.rows {
			if falls := c.falls != "" && strings.Contains(r.what, c.falls); r.limit != "" && r.met == falls {
				t.Errorf("%s %s: %s is %s, limit %s: met %v", c.body, c.falls, r.what, r.measured, r.limit, r.met)
			}
		}
	}
}

// TestRestoration is a small part of the proof: one voice that needs no program
// with one kind of noise.
func TestRestoration(t *testing.T) {
	s := tuneSide(5)
	s.voices, s.noises = s.voices[1:2], s.noises[2:]
	readings, err := s.materials(14)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range bodies() {
		if b.name == "noise at 10 dB" || b.name == "noise at 30 dB" {
			continue
		}
		found, err := tried(restorers(), b, s, readings)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range restorers() {
			f, ok := found[r.name]
			if !ok {
				continue
			}
			t.Logf("%s, %s: %+v", r.name, b.name, f)
			var tb table
			hold(&tb, r.name+", "+b.name+": ", b, f, f)
			for _, r := range tb.rows {
				if r.limit != "" && !r.met {
					t.Errorf("%s: %s, limit %s", r.what, r.measured, r.limit)
				}
			}
		}
	}
}

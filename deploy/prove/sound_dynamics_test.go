package main

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The clock of gains is right on a course that is known.
func TestWay(t *testing.T) {
	const rate = 44100
	g := make([]float64, rate)
	for i := range g {
		if i >= 1000 {
			g[i] = -8 * (1 - math.Exp(-float64(i-1000)/(0.025*rate)))
		}
	}
	if ms := wayMS(g, 1000, 0, -8, rate); math.Abs(ms-25) > 0.05 {
		t.Errorf("%.3f ms, want 25", ms)
	}
	if ms := wayMS(g, 1000, 0, -20, rate); !math.IsInf(ms, 1) {
		t.Errorf("%.3f ms for a gain that is never reached", ms)
	}
}

func TestLevelSteps(t *testing.T) {
	x := levelSteps(1000, -20, 0.1, -6, 0.2)
	if len(x) != 300 || math.Abs(inDB(math.Abs(x[50]))+20) > 1e-9 || math.Abs(inDB(math.Abs(x[299]))+6) > 1e-9 {
		t.Errorf("%d samples, %.2f and %.2f dBFS", len(x), inDB(math.Abs(x[50])), inDB(math.Abs(x[299])))
	}
}

// The quick ones of the rows are measured, and met.
func TestDynamicsRows(t *testing.T) {
	var tab table
	d := &dynamicsProof{random: rand.New(rand.NewPCG(2, 21)), t: &tab}
	for _, rows := range []func() error{d.workedStep, d.expander, d.splits} {
		if err := rows(); err != nil {
			t.Fatal(err)
		}
	}
	for _, r := range tab.rows {
		t.Logf("%s: %s (%s) %t", r.what, r.measured, r.limit, r.met)
	}
	if !tab.met() || len(tab.rows) != 6 {
		t.Errorf("%d rows, or not all met", len(tab.rows))
	}
}

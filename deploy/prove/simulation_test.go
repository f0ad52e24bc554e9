package main

import (
	"errors"
	"slices"
	"testing"
)

func TestSimulationIsHeld(t *testing.T) {
	const good = "=== RUN   TestSeeds\n    seeds_test.go:66: {Calls:3}\n--- PASS: TestSeeds (0.2s)\nPASS\n"
	const bad = "=== RUN   TestSeeds\n    seeds_test.go:46: seed 52: 926.8 s: a key was made 2 times\n--- FAIL: TestSeeds (0.2s)\nFAIL\n"
	failed := errors.New("exit status 1")
	for _, c := range []struct {
		name      string
		outs      []string
		errs      []error
		want, err bool
		notes     int
	}{
		{"all kept", []string{good, good}, []error{nil, nil}, true, false, 0},
		{"one broken", []string{good, bad}, []error{nil, failed}, false, false, 1},
		{"it crashed", []string{good, "panic: no"}, []error{nil, failed}, false, true, 0},
		{"it was killed after a part", []string{good, "=== RUN   TestSeeds\n"}, []error{nil, failed}, false, true, 0},
		{"nothing was played", []string{"testing: warning: no tests to run\nPASS\n"}, []error{nil}, false, true, 0},
	} {
		var tab table
		err := fillSimulation(&tab, 1, 10, c.outs, c.errs)
		if (err != nil) != c.err || tab.met() != c.want || len(tab.notes) != c.notes {
			t.Errorf("%s: met %t, %v, notes %q", c.name, tab.met(), err, tab.notes)
		}
	}
}

func TestSplit(t *testing.T) {
	for _, c := range []struct {
		n, parts int
		want     []int
	}{{10, 2, []int{5, 5}}, {10, 3, []int{4, 3, 3}}, {2, 4, []int{1, 1}}, {7, 1, []int{7}}} {
		if got := split(c.n, c.parts); !slices.Equal(got, c.want) {
			t.Errorf("%d in %d: %v", c.n, c.parts, got)
		}
	}
}

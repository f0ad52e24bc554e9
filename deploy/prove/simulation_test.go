package main

import (
	"encoding/json"
	"errors"
	"testing"
)

func TestSimulationIsHeld(t *testing.T) {
	failed := errors.New("exit status 1")
	for _, c := range []struct {
		name, summary string
		ended         error
		want, err     bool
		notes         int
	}{
		{"all kept", `{"Seeds": 10, "Played": 10, "Calls": 900, "Faults": 30, "Kills": 7}`, nil, true, false, 0},
		{"one broken", `{"Seeds": 10, "Played": 4, "Broken": 1, "First": {"Seed": 3, "Breaches": ["a key was made 2 times", "a run was forgotten"]}}`, failed, false, false, 2},
		{"it ended badly", `{"Seeds": 10, "Played": 10}`, failed, false, true, 0},
		{"too few nights", `{"Seeds": 10, "Played": 9}`, nil, false, false, 0},
		{"nothing was played", `{}`, nil, false, false, 0},
	} {
		var p played
		if err := json.Unmarshal([]byte(c.summary), &p); err != nil {
			t.Fatal(err)
		}
		var tab table
		err := fillSimulation(&tab, 1, 10, p, c.ended)
		if (err != nil) != c.err || tab.met() != c.want || len(tab.notes) != c.notes {
			t.Errorf("%s: met %t, %v, notes %q", c.name, tab.met(), err, tab.notes)
		}
	}
}

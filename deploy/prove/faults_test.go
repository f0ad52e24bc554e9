package main

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chapterhouse/deploy/faults"
)

func TestFaultIsHeld(t *testing.T) {
	row := faults.Row{N: 3, Fault: "a worker is lost"}
	number := func(worst, limit float64) []faults.Number {
		return []faults.Number{{What: "taken over after", Worst: worst, Limit: limit, Format: "%.1f s"}}
	}
	for _, c := range []struct {
		name string
		res  faults.Result
		want bool
	}{
		{"nothing violated", faults.Result{Row: row, Runs: 3}, true},
		{"never done", faults.Result{Row: row}, false},
		{"violated once", faults.Result{Row: row, Runs: 3, Violations: []string{"it was forgotten"}}, false},
		{"within its limit", faults.Result{Row: row, Runs: 3, Numbers: number(15, 15)}, true},
		{"over its limit", faults.Result{Row: row, Runs: 3, Numbers: number(15.1, 15)}, false},
		{"not measured", faults.Result{Row: row, Runs: 3, Numbers: number(math.NaN(), 15)}, false},
		{"only told", faults.Result{Row: row, Runs: 3, Numbers: number(15, math.NaN())}, true},
	} {
		var tab table
		fillFault(&tab, c.res)
		if got := tab.met(); got != c.want {
			t.Errorf("%s: met %t, want %t: %+v", c.name, got, c.want, tab.rows)
		}
		if len(tab.notes) != len(c.res.Violations) {
			t.Errorf("%s: notes %q", c.name, tab.notes)
		}
	}
}

// TestUnfinishedSimulation: a simulation that can't be built is an error, and
// the table with what went before it is printed all the same.
func TestUnfinishedSimulation(t *testing.T) {
	if err := need("go", "lame"); err != nil {
		if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	root := t.TempDir() // a checkout that lacks the simulation
	if err := os.WriteFile(filepath.Join(root, "go.mod"), []byte("module empty\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	before := proof{name: "faults", runs: true, prove: func(ctx context.Context, s *site, tab *table) error {
		fillFault(tab, faults.Result{Row: faults.Row{N: 3, Fault: "a worker is lost"}, Runs: 3})
		return faultRows(ctx, s, tab)
	}}
	var out, said strings.Builder
	if got := run(t.Context(), []string{"faults", "--rows", "simulation", "--root", root}, []proof{before}, &out, &said); got != exitMissed {
		t.Errorf("exits %d, want %d", got, exitMissed)
	}
	for _, want := range []string{"row 3: a worker is lost", "0 violations in 3 runs", "it did not come to its end"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the table lacks %q:\n%s", want, out.String())
		}
	}
	if want := "prove faults: build the simulation: "; !strings.Contains(said.String(), want) {
		t.Errorf("says %q, want %q", said.String(), want)
	}
}

func TestChosenRows(t *testing.T) {
	all := append(faults.Rows(), faults.Children(60))
	for _, c := range []struct{ list, want string }{
		{"3,16", "row 3, row 16"}, {"children,1", "children, row 1"}, {"simulation", "simulation"}, {"1,simulation", "row 1, simulation"}, {"99", "error"}, {"1,", "error"},
	} {
		rows, play, err := chosenRows(c.list, all)
		var names []string
		for _, r := range rows {
			names = append(names, r.Name())
		}
		if play {
			names = append(names, "simulation")
		}
		if got := strings.Join(names, ", "); err == nil && got != c.want || (err != nil) != (c.want == "error") {
			t.Errorf("%q chooses %s, %v", c.list, got, err)
		}
	}
	rows, play, err := chosenRows("", all)
	if err != nil || !play || len(rows) != len(all) {
		t.Errorf("%d of %d rows, %v", len(rows), len(all), err)
	}
	seen := map[int]bool{}
	for _, r := range faults.Rows() {
		if seen[r.N] || r.N < 1 || r.N > 40 {
			t.Errorf("row %d is there twice, or is none of the matrix", r.N)
		}
		seen[r.N] = true
	}
	for _, n := range []int{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 13, 16, 17, 18, 20, 22, 25, 27, 31, 32, 33, 35, 36, 37, 39} {
		if !seen[n] {
			t.Errorf("row %d is missing", n)
		}
	}
}

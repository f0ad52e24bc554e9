package main

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"chapterhouse/deploy/faults"
)

const (
	faultRuns       = 3      // of each row, where --runs says nothing
	rowsTogether    = 2      // rows wait more than they work
	childrenOf      = 60     // chapters of the title with three bad ones
	simulated       = 10_000 // nights
	violationsLimit = 0
)

// faultRows does every fault to a night of real processes, has a title's
// chapters fail, and plays simulated nights.
func faultRows(ctx context.Context, s *site, t *table) error {
	if err := need("go", "lame"); err != nil {
		return err
	}
	rows, play, err := chosenRows(s.rows, append(faults.Rows(), faults.Children(childrenOf)))
	if err != nil {
		return err
	}
	if len(rows) > 0 {
		if err := s.faultyNights(ctx, t, rows); err != nil {
			return err
		}
	}
	if !play {
		return nil
	}
	if err := s.simulate(ctx, t, simulated); err != nil {
		t.hold("simulation", "it did not come to its end", "its end", false)
		return err
	}
	return nil
}

// faultyNights does rows, each a night of real processes.
func (s *site) faultyNights(ctx context.Context, t *table, rows []faults.Row) error {
	runs := s.runs
	if runs == 0 {
		runs = faultRuns
	}
	kit, err := faults.NewKit(ctx, s.root, s.path("faults"), s.say)
	if err != nil {
		return err
	}
	defer kit.Close()
	// What measures times has the machine for itself.
	var alone []faults.Row
	rows = slices.DeleteFunc(rows, func(r faults.Row) bool {
		if r.Timed() {
			alone = append(alone, r)
		}
		return r.Timed()
	})
	defer func() { t.note("%s", kit.How()) }()
	for _, part := range []struct {
		rows           []faults.Row
		runs, together int
	}{{rows, runs, rowsTogether}, {alone, 1, 1}} {
		results, err := kit.Prove(ctx, part.rows, part.runs, part.together, s.seed)
		for _, res := range results {
			fillFault(t, res)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// chosenRows are those whose numbers a list names, or all; play is whether
// simulated nights are among them.
func chosenRows(list string, all []faults.Row) (rows []faults.Row, play bool, err error) {
	if list == "" {
		return all, true, nil
	}
	for _, word := range strings.Split(list, ",") {
		if word == "simulation" {
			play = true
			continue
		}
		i := slices.IndexFunc(all, func(r faults.Row) bool { return word == strconv.Itoa(r.N) || word == r.Name() })
		if i < 0 {
			return nil, false, fmt.Errorf("no row is called %q; there are their numbers, children and simulation", word)
		}
		rows = append(rows, all[i])
	}
	return rows, play, nil
}

// fillFault adds a row's lines: what was violated, and each number.
func fillFault(t *table, res faults.Result) {
	what := res.Name() + ": " + res.Fault
	if why := res.Undoable(); why != "" {
		required := os.Getenv("CHAPTERHOUSE_REQUIRE") == "all"
		if required {
			t.hold(what, "not done: "+why, "done", false)
		} else {
			t.tell(what, "not done: "+why)
		}
		return
	}
	held := res.Runs > 0 && len(res.Violations) == violationsLimit
	t.hold(what, res.Broken(), fmt.Sprint(violationsLimit), held)
	for _, n := range res.Numbers {
		what := "  " + n.What
		if math.IsNaN(n.Limit) {
			t.tell(what, fmt.Sprintf(n.Format, n.Worst))
			continue
		}
		t.atMost(what, n.Worst, n.Limit, n.Format, "")
	}
	for _, v := range res.Violations {
		t.note("violated: %s", v)
	}
	for _, h := range res.How {
		t.note("%s: %s", res.Name(), h)
	}
}

package faults

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
)

// gateRows are done once wherever everything is required: those that reach
// furthest into the night, in as little time as the others leave.
var gateRows = []int{2, 3, 4, 5, 9, 10, 13, 16, 20, 22, 33, 36}

// TestRows does a dozen rows once; deploy/prove.sh faults does all of them.
func TestRows(t *testing.T) {
	if os.Getenv("CHAPTERHOUSE_REQUIRE") != "all" {
		t.Skip("a dozen nights take minutes: set CHAPTERHOUSE_REQUIRE=all, or run deploy/prove.sh faults")
	}
	k, err := NewKit(t.Context(), checkout, t.TempDir(), t.Logf)
	must(t, err)
	defer k.Close()
	rows := slices.DeleteFunc(Rows(), func(r Row) bool { return !slices.Contains(gateRows, r.N) })
	results, err := k.Prove(t.Context(), rows, 1, 3, 1)
	must(t, err)
	for _, res := range results {
		if why := res.Undoable(); why != "" {
			t.Errorf("%s: %s", res.Name(), why)
		}
		for _, v := range res.Violations {
			t.Error(v)
		}
		for _, n := range res.Numbers {
			line := fmt.Sprintf("%s: %s: "+n.Format+", limit %v", res.Name(), n.What, n.Worst, n.Limit)
			// How soon a machine with others at work goes on proves nothing here:
			// the proof by hand holds times to their limits, and a row fails by
			// itself where it waits for too long.
			if t.Log(line); !n.Met() && !strings.HasSuffix(n.Format, " s") {
				t.Errorf("%s: too much", line)
			}
		}
	}
}

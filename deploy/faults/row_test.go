package faults

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
)

// TestRowsAreSaid: what came of a row is said as it ends, and not only when
// all have ended; a round that is cut short counts for nothing.
func TestRowsAreSaid(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var mu sync.Mutex
	var said []string
	k := &Kit{say: func(format string, args ...any) {
		mu.Lock()
		defer mu.Unlock()
		said = append(said, fmt.Sprintf(format, args...))
	}}
	good := func(_ context.Context, r *round) error {
		r.atMost("taken over after", 1.5+float64(r.seed), 10, "%.1f s")
		r.tell("replies lost", 4, "%.0f")
		return nil
	}
	bad := func(_ context.Context, r *round) error {
		if r.seed == 8 {
			return errors.New("it was forgotten")
		}
		return nil
	}
	long := func(ctx context.Context, _ *round) error {
		stop()
		<-ctx.Done()
		return ctx.Err()
	}
	rows := []Row{{N: 1, Fault: "good", do: good}, {N: 2, Fault: "bad", do: bad}, {N: 3, Fault: "long", do: long}}
	results, err := k.Prove(ctx, rows[:2], 2, 1, 7)
	must(t, err)
	late, err := k.Prove(ctx, rows[2:], 2, 1, 7)
	if !errors.Is(err, context.Canceled) {
		t.Errorf("cut short: %v", err)
	}
	for i, want := range []int{2, 2, 0} {
		res := append(results, late...)[i]
		if res.Runs != want || len(res.Violations) != i%2 {
			t.Errorf("%s: %d runs, want %d; violations %q", res.Name(), res.Runs, want, res.Violations)
		}
	}
	slices.Sort(said)
	want := []string{
		"row 1, good: round 1 of 2", "row 1, good: round 2 of 2", "row 1: 0 violations in 2 runs; taken over after 9.5 s (at most 10.0 s); replies lost 4",
		"row 2, bad: round 1 of 2", "row 2, bad: round 2 of 2", "row 2: 1 violations in 2 runs",
		"row 3, long: round 1 of 2", "violated: row 2, seed 8: it was forgotten",
	}
	if !slices.Equal(said, want) {
		t.Errorf("said %q, want %q", said, want)
	}
}

package simulation

import (
	"flag"
	"fmt"
	"os"
	"testing"
	"testing/synctest"
	"time"
)

var (
	seeds = flag.Int("seeds", 60, "how many nights TestSeeds plays")
	from  = flag.Uint64("from", 1, "the first of their seeds")
	only  = flag.Uint64("seed", 0, "play the night of this seed alone, and tell it when it goes wrong or with -v")
)

// scratch is a folder in memory where there is one: jobs are small and many.
func scratch(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "night-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func play(t *testing.T, seed uint64, o Options) (n Night) {
	o.Scratch = scratch(t)
	synctest.Test(t, func(t *testing.T) { n = Play(seed, o) })
	return n
}

func TestSeeds(t *testing.T) {
	first, last := *from, *from+uint64(*seeds)-1
	if *only > 0 {
		first, last = *only, *only
	}
	began := time.Now()
	var sum Tally
	for seed := first; seed <= last; seed++ {
		n := play(t, seed, Options{})
		if len(n.Breaches) > 0 {
			for _, b := range n.Breaches {
				t.Errorf("seed %d: %s", seed, b)
			}
			if *only > 0 {
				for _, e := range n.history {
					fmt.Println(e)
				}
			}
			if os.Getenv("GOON") != "" {
				continue
			}
			t.Fatalf("play it again: go test ./deploy/simulation -run TestSeeds -seed %d", seed)
		}
		sum.Virtual += n.Tally.Virtual
		sum.Calls += n.Tally.Calls
		sum.Kills += n.Tally.Kills
		sum.Children += n.Tally.Children
		sum.Made += n.Tally.Made
		sum.Wasted += n.Tally.Wasted
	}
	t.Logf("%+v in %v", sum, time.Since(began))
}

// TestSame: a seed's night is the same each time.
func TestSame(t *testing.T) {
	for seed := uint64(1); seed <= 20; seed++ {
		first, again := play(t, seed, Options{}), play(t, seed, Options{})
		if first.Hash == again.Hash {
			continue
		}
		for i := range min(len(first.history), len(again.history)) {
			if a, b := first.history[i], again.history[i]; a != b {
				for k := max(0, i-15); k < i; k++ {
					t.Log(first.history[k])
				}
				for k := i; k < min(i+12, len(first.history)); k++ {
					t.Log("A", first.history[k])
				}
				for k := i; k < min(i+12, len(again.history)); k++ {
					t.Log("B", again.history[k])
				}
				t.Fatalf("seed %d went two ways:\n%v\n%v", seed, a, b)
			}
		}
		t.Fatalf("seed %d: %d and %d entries", seed, len(first.history), len(again.history))
	}
}

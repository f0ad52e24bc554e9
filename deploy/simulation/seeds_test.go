package simulation

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"runtime"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
)

var (
	seeds   = flag.Int("seeds", 500, "how many nights TestSeeds plays")
	from    = flag.Uint64("from", 1, "the first of their seeds")
	only    = flag.Uint64("seed", 0, "play the night of this seed alone, and tell all of it when it goes wrong, or with -v")
	summary = flag.String("summary", "", "file for what TestSeeds played, as JSON")
)

func TestMain(m *testing.M) {
	debug.SetGCPercent(400) // nights are short and leave much behind
	goleak.VerifyTestMain(m)
}

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
	t.Helper()
	o.Scratch = scratch(t)
	synctest.Test(t, func(*testing.T) { n = Play(seed, o) })
	return n
}

// TestSeeds plays one night a seed and stops at the first in which a promise
// is broken. To play that one again and be told all of it:
//
//	go test ./deploy/simulation -run TestSeeds -seed N -v
func TestSeeds(t *testing.T) {
	first, last := *from, *from+uint64(*seeds)-1
	if *only > 0 {
		first, last = *only, *only
	}
	began := time.Now()
	all := Summary{Seeds: int(last - first + 1)}
	var mu sync.Mutex
	inHands(int(last-first+1), func(i int) {
		mu.Lock()
		over := all.Broken > 0
		mu.Unlock()
		if over {
			return
		}
		seed := first + uint64(i)
		var n Night
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			n = play(t, seed, Options{})
			if *only > 0 && (testing.Verbose() || len(n.Breaches) > 0) {
				for _, e := range n.history {
					fmt.Println(e)
				}
			}
			for _, b := range n.Breaches {
				t.Errorf("seed %d: %s", seed, b)
			}
		})
		mu.Lock()
		defer mu.Unlock()
		all.add(n)
	})
	all.Wall = time.Since(began)
	t.Log(all)
	if *summary != "" {
		text, err := json.Marshal(all)
		if err == nil {
			err = os.WriteFile(*summary, text, 0o644)
		}
		if err != nil {
			t.Error(err)
		}
	}
}

// inHands calls do for 0 to n-1, in order, as many at a time as there are processors.
func inHands(n int, do func(i int)) {
	var next atomic.Int64
	var hands sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		hands.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				do(i)
			}
		})
	}
	hands.Wait()
}

// TestSame: a seed's night is the same each time.
func TestSame(t *testing.T) {
	for seed := uint64(1); seed <= 20; seed++ {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			expectSame(t, play(t, seed, Options{}), play(t, seed, Options{}))
		})
	}
}

// TestClocks: dates are compared with each other and with no clock, so that
// clocks that are a day off change nothing. That clocks are set while a night
// goes on concerns nobody either: waiting and terms count monotonic time, and
// a process that stood still for long, to which time leaps, is in every night.
func TestClocks(t *testing.T) {
	for seed := uint64(1); seed <= 5; seed++ {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			right := play(t, seed, Options{})
			for _, off := range []time.Duration{-24 * time.Hour, 24 * time.Hour} {
				expectSame(t, right, play(t, seed, Options{Clock: off}))
			}
		})
	}
}

func expectSame(t *testing.T, a, b Night) {
	t.Helper()
	if a.Hash == b.Hash {
		return
	}
	for i := range min(len(a.history), len(b.history)) {
		if a.history[i] != b.history[i] {
			for _, e := range a.history[max(0, i-10):i] {
				t.Log(e)
			}
			t.Fatalf("seed %d went two ways:\n%v\n%v", a.Seed, a.history[i], b.history[i])
		}
	}
	t.Fatalf("seed %d: %d entries, and %d", a.Seed, len(a.history), len(b.history))
}

// Summary is what TestSeeds played.
type Summary struct {
	Seeds  int
	Played int
	Broken int   // nights in which a promise was broken
	First  Night // of them
	Tally
	Wall time.Duration
}

func (s *Summary) add(n Night) {
	s.Played++
	if len(n.Breaches) > 0 {
		if s.Broken++; s.Broken == 1 || n.Seed < s.First.Seed {
			s.First = n
		}
	}
	s.Tally.add(n.Tally)
}

func (s Summary) String() string {
	return fmt.Sprintf("%d of %d nights, %.0f h in %.1f s (%.0f to 1), %d with a promise broken: %d calls, %d of them failed; %d kills, %d stops, %d pauses, %d brokers wiped; %d children, %d results, %d of them in vain",
		s.Played, s.Seeds, s.Virtual.Hours(), s.Wall.Seconds(), s.Virtual.Seconds()/s.Wall.Seconds(), s.Broken,
		s.Calls, s.Faults, s.Kills, s.Stops, s.Pauses, s.Wipes, s.Children, s.Made, s.Wasted)
}

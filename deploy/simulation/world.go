// Package simulation plays nights in a world where everything breaks: the
// project's own coordinators and workers over a store and a broker in memory
// that fail, are late, lose replies and forget, with processes that are killed
// or stand still at any call. Who does what when follows from a seed alone, so
// that a night that went wrong can be played again; a judge watches every
// object and every word (see judge).
//
// A night must be played in a bubble of testing/synctest, where hours pass at
// once. It is the same each time because chance is drawn by who asks for what
// the how-manieth time, not by order, and because no two processes are woken
// at the same moment.
package simulation

import (
	"cmp"
	"context"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	storememory "chapterhouse/pipeline/store/memory"

	queuememory "chapterhouse/pipeline/queue/memory"
)

// world is one night's.
type world struct {
	seed    uint64
	shape   shape
	began   time.Time
	scratch string // folder for jobs
	strike  *Strike
	store   *storememory.Store
	broker  *queuememory.Queue
	judge   *judge
	work    sync.WaitGroup // all that runs

	mu      sync.Mutex
	taken   map[time.Duration]bool // moments at which someone wakes
	counts  map[string]int         // calls so far, by who asks for what
	history []entry
	closing bool
	watches []*watch
	dropped map[string]time.Time // when a ring was last dropped
	running map[string]*process
	tally   Tally
}

// Tally counts what happened in a night.
type Tally struct {
	Calls, Faults          int // of store and broker
	Kills, Pauses, Stops   int // of processes
	Wipes                  int // of the broker
	Children, Made, Wasted int // jobs; results; those of keys that stood when the job began
	Virtual                time.Duration
}

func (t *Tally) add(o Tally) {
	t.Calls += o.Calls
	t.Faults += o.Faults
	t.Kills += o.Kills
	t.Pauses += o.Pauses
	t.Stops += o.Stops
	t.Wipes += o.Wipes
	t.Children += o.Children
	t.Made += o.Made
	t.Wasted += o.Wasted
	t.Virtual += o.Virtual
}

// entry is one thing that happened.
type entry struct {
	at                  time.Duration
	who, op, name, what string
}

func (e entry) String() string {
	return fmt.Sprintf("%12.6f %-14s %-9s %s %s", e.at.Seconds(), e.who, e.op, e.name, e.what)
}

func newWorld(seed uint64, o Options) *world {
	w := &world{
		seed: seed, began: time.Now(), scratch: o.Scratch, store: storememory.New(),
		taken: map[time.Duration]bool{}, counts: map[string]int{}, dropped: map[string]time.Time{}, running: map[string]*process{},
	}
	w.shape = newShape(w.dice("shape"))
	if w.strike = o.Strike; w.strike != nil {
		w.shape = smallShape()
	}
	w.shape.clock = o.Clock
	w.broker = queuememory.New(queuememory.Options{LeaseTime: leaseTime, MaxTries: w.shape.maxTries, LateWords: true})
	w.judge = newJudge(w)
	return w
}

// dice are the same for the same question in the same night.
func (w *world) dice(about ...string) *rand.Rand {
	h := fnv.New64a()
	for _, s := range about {
		_, _ = h.Write([]byte(s))
		_, _ = h.Write([]byte{0})
	}
	return rand.New(rand.NewPCG(w.seed, h.Sum64()))
}

// next are dice for the next time that the same is asked.
func (w *world) next(about string) *rand.Rand {
	w.mu.Lock()
	w.counts[about]++
	n := w.counts[about]
	w.mu.Unlock()
	return w.dice(about, fmt.Sprint(n))
}

func (w *world) now() time.Duration { return time.Since(w.began) }

// moment is d from now, or as soon after as nobody else wakes.
func (w *world) moment(d time.Duration) time.Duration {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := w.now()
	at := now + max(d, 1)
	for w.taken[at] {
		at++
	}
	w.taken[at] = true
	return at - now
}

// after does something d from now.
func (w *world) after(d time.Duration, do func()) { time.AfterFunc(w.moment(d), do) }

// sleep waits for d, or until ctx ends.
func (w *world) sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(w.moment(d))
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// note writes down what happened.
func (w *world) note(who, op, name, what string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.history = append(w.history, entry{w.now(), who, op, name, what})
}

// told is the night in order. What happened at one moment, as when a process
// is told to stop, is in the order of its words.
func (w *world) told() []entry {
	w.mu.Lock()
	defer w.mu.Unlock()
	slices.SortStableFunc(w.history, func(a, b entry) int {
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.who, b.who), cmp.Compare(a.op, b.op), cmp.Compare(a.name, b.name), cmp.Compare(a.what, b.what))
	})
	return w.history
}

// count changes the tally.
func (w *world) count(change func(*Tally)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	change(&w.tally)
}

// between is a time in a range.
func between(r *rand.Rand, from, to time.Duration) time.Duration {
	return from + time.Duration(r.Int64N(int64(to-from)+1))
}

package worker

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	queuememory "chapterhouse/pipeline/queue/memory"
	"chapterhouse/pipeline/store"
)

var engine = pipeline.NewEngine(map[string]int{"highpass": 1}, nil)

// desk is a worker with what it works on.
type desk struct {
	*Worker
	keys   []pipeline.Digest // of three recipes over one source
	source pipeline.Digest
	mu     sync.Mutex
	ends   []string // what became of rings
	ill    []error  // troubles
	heard  []queue.Event
}

// patience is how long a test waits for what must happen; nothing is proven
// by how soon it does.
const patience = time.Minute

func newDesk(t *testing.T, s store.Store, mode string) *desk {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	d := &desk{}
	events := &queuememory.Events{}
	stop, err := events.Watch(func(e queue.Event) {
		d.mu.Lock()
		defer d.mu.Unlock()
		d.heard = append(d.heard, e)
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(stop)
	d.Worker = &Worker{
		Store: s, Events: events, Engine: engine, Child: Program(self, "child", mode), Scratch: t.TempDir(),
		Slots: 1, Memory: 256, Name: "desk-1", Log: zap.NewNop(), Beat: 40 * time.Millisecond, StuckAfter: patience,
		Ended:   func(outcome string, _ time.Duration) { d.mu.Lock(); d.ends = append(d.ends, outcome); d.mu.Unlock() },
		Trouble: func(err error) { d.mu.Lock(); d.ill = append(d.ill, err); d.mu.Unlock() },
	}
	audio := strings.NewReader("what was recorded")
	d.source = pipeline.DigestOf([]byte("what was recorded"))
	if err := s.Put(t.Context(), d.source, audio); err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		r := pipeline.NewRecipe(pipeline.StepProfile)
		r.Profile = &pipeline.ProfileRecipe{Source: d.source, Span: pipeline.Span{To: 100}, RateHz: 44100 + i}
		d.keys = append(d.keys, r.Key())
		if err := store.Create(t.Context(), s, "recipes/"+string(r.Key())+".json", r.Text()); err != nil {
			t.Fatal(err)
		}
	}
	return d
}

func (d *desk) ring() queue.Ring {
	return queue.Ring{Engine: engine.ID(), Class: queue.Overnight, Key: d.keys[0], With: d.keys[1:]}
}

// lease is a lease that writes down what is said to it.
type lease struct {
	ring  queue.Ring
	tries int
	lost  int // from the n-th word on; 0: never
	mu    sync.Mutex
	said  []string
}

func (l *lease) Ring() queue.Ring { return l.ring }
func (l *lease) Tries() int       { return l.tries }

func (l *lease) say(word string) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.said = append(l.said, word)
	if l.lost > 0 && len(l.said) >= l.lost {
		return queue.ErrLost
	}
	return nil
}

func (l *lease) Extend(context.Context) error { return l.say("extend") }
func (l *lease) Done(context.Context) error   { return l.say("done") }
func (l *lease) Retry(_ context.Context, after time.Duration) error {
	return l.say("retry " + after.String())
}

// last is the last word but for extensions.
func (l *lease) last() string {
	for i := len(l.said) - 1; i >= 0; i-- {
		if l.said[i] != "extend" {
			return l.said[i]
		}
	}
	return ""
}

func (l *lease) count(word string) (n int) {
	for _, w := range l.said {
		if w == word {
			n++
		}
	}
	return n
}

// committed is which of the three recipes have a commit.
func (d *desk) state(t *testing.T) (committed string) {
	t.Helper()
	for _, k := range d.keys {
		var c pipeline.Commit
		err := store.ReadJSON(t.Context(), d.Store, commitName(k), &c)
		switch {
		case err == nil && c.Key == k:
			committed += "x"
		case errors.Is(err, store.ErrAbsent):
			committed += "-"
		default:
			t.Errorf("commit: %+v, %v", c, err)
		}
	}
	return committed
}

// left is which of the three recipes have no commit.
func (d *desk) left(t *testing.T) (keys []pipeline.Digest) {
	for i, c := range d.state(t) {
		if c == '-' {
			keys = append(keys, d.keys[i])
		}
	}
	return keys
}

// strikes is the failures noted of each recipe.
func (d *desk) strikes(t *testing.T) (all [3][]pipeline.Failure, starts int) {
	t.Helper()
	err := d.Store.List(t.Context(), "attempts/", func(i store.Info) error {
		if !strings.HasSuffix(i.Name, ".err.json") {
			starts++
			return nil
		}
		for n, k := range d.keys {
			if strings.HasPrefix(i.Name, "attempts/"+string(k)+"/") {
				var f pipeline.Failure
				if err := store.ReadJSON(t.Context(), d.Store, i.Name, &f); err != nil {
					return err
				}
				all[n] = append(all[n], f)
				return nil
			}
		}
		return fmt.Errorf("%s is a strike against nobody", i.Name)
	})
	if err != nil {
		t.Fatal(err)
	}
	return all, starts
}

// emptyScratch: a job leaves nothing behind.
func (d *desk) emptyScratch(t *testing.T) {
	t.Helper()
	left, err := filepath.Glob(filepath.Join(d.Scratch, "job-*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left in scratch: %v, %v", left, err)
	}
}

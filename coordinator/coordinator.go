// Package coordinator brings titles to their close: it reads a run's objects,
// rings for what is missing, pins what is decided, and moves the title's one
// compare-and-swap. It decides nothing about sound, starts no process and
// never waits for one; every pass may be cut off anywhere and run again, by
// any number of coordinators at once.
package coordinator

import (
	"context"
	"errors"
	"sync"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"

	"go.uber.org/zap"
)

// Coordinator reconciles titles. Its exported fields are set once, before use.
type Coordinator struct {
	Store  store.Store
	Queue  queue.Queue
	Events queue.Events // news of workers; nil: there are Slots slots, and the clock alone wakes Run
	Checks []check.Check
	Log    *zap.Logger
	// Engine is this build's: where a run may choose among its workers'
	// engines, the one with the same steps and stages.
	Engine pipeline.Engine
	// Slots is the most that all workers have together: with those that were
	// heard of it bounds how many rings are out at a time.
	Slots int
	Looks int // looks at the store at a time; 0: one
	// Scan is the time between two looks at everything, 10 s where it is 0:
	// how long news takes that was lost.
	Scan time.Duration
	// Silence is how long a ring may be out without a try or a result before
	// it is taken for dead (see queue.MaxTries), 1 h where it is 0. It is more
	// than the longest retry and more than a few long jobs in front of it; what
	// was alive after all is done twice.
	Silence time.Duration

	ringing sync.Mutex // held while rings are chosen
	mu      sync.Mutex // guards what follows
	titles  map[string]*known
	listed  []*known                 // titles by name; nil: to be made
	news    map[pipeline.Digest]bool // keys that something was said of
	woken   chan struct{}            // of Run: there is news
	heard   map[string]heard         // workers, by name
	faults  int64                    // passes that failed
	work    Work
}

const (
	scan    = 10 * time.Second
	silence = time.Hour
)

// known is what a coordinator remembers of a title while it is unfinished. It
// saves looking; nothing is decided by it that the store would not say as well.
type known struct {
	mu      sync.Mutex // held during a pass
	title   string
	run     string // that pinned is of
	order   Order
	commits map[pipeline.Digest]pipeline.Commit   // never change once created
	seen    map[pipeline.Digest]result            // what has no commit, as it was last looked at
	written map[pipeline.Digest]bool              // recipes that were written down
	pinned  map[string]any                        // the run's objects that are created once
	keys    map[pipeline.Step][][]pipeline.Digest // of the run's groups, by chapter
	whole   map[pipeline.Step][][]result          // of those that are done
	records map[pipeline.Step]any                 // of the run's chapters that are whole, []chapterOf[T]
	wants   []want                                // of the latest pass, in order
	out     map[pipeline.Digest]*rung             // rings, by key
	news    map[pipeline.Digest]bool              // keys of rings to look at again
	anew    bool                                  // something was learned that the latest pass did not know
	failed  bool                                  // the latest pass did, and the next waits for the clock
	rev     int                                   // of the state that the latest pass saw
	moved   bool                                  // the state is another since
	tidied  int                                   // seq of the state that was tidied up after
	view    Title
}

// know is what is remembered of a title.
func (c *Coordinator) know(title string) *known {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.titles[title] == nil {
		if c.titles == nil {
			c.titles = map[string]*known{}
		}
		c.listed = nil
		c.titles[title] = &known{
			title: title, commits: map[pipeline.Digest]pipeline.Commit{}, seen: map[pipeline.Digest]result{},
			written: map[pipeline.Digest]bool{}, pinned: map[string]any{}, keys: map[pipeline.Step][][]pipeline.Digest{}, records: map[pipeline.Step]any{},
			whole: map[pipeline.Step][][]result{}, out: map[pipeline.Digest]*rung{}, news: map[pipeline.Digest]bool{},
		}
	}
	return c.titles[title]
}

// forget drops what is remembered of a title that is closed.
func (c *Coordinator) forget(title string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.titles, title)
	c.listed = nil
}

// Work counts what this coordinator's runs cost, by results.
type Work struct {
	Profiled int `json:"profiled"`
	Weighed  int `json:"weighed"`
	Rendered int `json:"rendered"`
	Taken    int `json:"taken"` // found in the store
}

// Work is what was done and what was found in the store so far.
func (c *Coordinator) Work() Work {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.work
}

// Names of objects.
func titleName(title string) string { return "titles/" + title + "/title.json" }
func runName(title, run, what string) string {
	return "titles/" + title + "/runs/" + run + "/" + what + ".json"
}
func openName(title, run string) string       { return "open/" + title + "/" + run + ".json" }
func recipeName(k pipeline.Digest) string     { return "recipes/" + string(k) + ".json" }
func commitName(k pipeline.Digest) string     { return "commits/" + string(k) + ".json" }
func quarantineName(k pipeline.Digest) string { return "quarantine/" + string(k) + ".json" }
func narratorName(narrator string) string     { return "narrators/" + narrator + "/narrator.json" }

// pin creates an object that is decided once. Where it is there already, what
// is there stands and replaces *v: nothing of ours is left in it.
func pin[T any](ctx context.Context, s store.Store, name string, v *T) error {
	err := store.CreateJSON(ctx, s, name, v)
	if !errors.Is(err, store.ErrConflict) {
		return err
	}
	var there T
	if err := store.ReadJSON(ctx, s, name, &there); err != nil {
		return err
	}
	*v = there
	return nil
}

// pinned reads one of the run's objects that are created once. ErrAbsent.
func pinned[T any](ctx context.Context, p *pass, what string) (v T, err error) {
	if there, ok := p.known.pinned[what].(T); ok {
		return there, nil
	}
	if err = store.ReadJSON(ctx, p.c.Store, runName(p.title, p.run, what), &v); err == nil {
		p.known.pinned[what] = v
	}
	return v, err
}

// decide is pin for one of the run's objects. A pass that only looks decides
// for itself.
func decide[T any](ctx context.Context, p *pass, what string, v *T) error {
	if !p.looking {
		if err := pin(ctx, p.c.Store, runName(p.title, p.run, what), v); err != nil {
			return err
		}
	}
	p.known.pinned[what] = *v
	return nil
}

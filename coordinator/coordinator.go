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
	Slots  int // of all workers: bounds how many rings are out at a time
	Class  queue.Class
	Checks []check.Check
	Log    *zap.Logger

	mu     sync.Mutex // guards what follows and what is in it
	titles map[string]*known
	work   Work
}

// known is what a coordinator remembers of a title while it is unfinished. It
// saves looking; nothing is decided by it that the store would not say as well.
type known struct {
	commits map[pipeline.Digest]pipeline.Commit // never change once created
	rung    map[pipeline.Digest]rung            // recipes that were written down
}

// rung is when a ring was last seen to have news, and how many tries there were then.
type rung struct {
	since time.Time
	tries int
}

// know is what is remembered of a title.
func (c *Coordinator) know(title string) *known {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.titles[title] == nil {
		if c.titles == nil {
			c.titles = map[string]*known{}
		}
		c.titles[title] = &known{commits: map[pipeline.Digest]pipeline.Commit{}, rung: map[pipeline.Digest]rung{}}
	}
	return c.titles[title]
}

// forget drops what is remembered of a title that is closed.
func (c *Coordinator) forget(title string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.titles, title)
}

// ringsPerSlot is how many rings are out at a time for each slot.
const ringsPerSlot = 4

// Work counts what this coordinator's runs cost, by results.
type Work struct {
	Profiled int `json:"profiled"`
	Weighed  int `json:"weighed"`
	Rendered int `json:"rendered"`
	Taken    int `json:"taken"` // found in storage
}

// Work is what was done and what was found in storage so far.
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

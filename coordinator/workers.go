package coordinator

import (
	"context"
	"errors"
	"maps"
	"slices"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"
)

// heard is a worker that said what it can do.
type heard struct {
	beat   queue.Beat
	engine string    // its ID
	since  time.Time // when it was first heard
	at     time.Time
}

// quiet is how long a worker may say nothing before it counts as gone; they
// say something every 5 s.
const quiet = 30 * time.Second

// live is the workers that were heard of lately, by engine.
func (c *Coordinator) live() (engines map[string]pipeline.Engine, slots map[string]int, workers int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	engines, slots = map[string]pipeline.Engine{}, map[string]int{}
	for name, h := range c.heard {
		if time.Since(h.at) > quiet {
			delete(c.heard, name)
			continue
		}
		engines[h.engine] = h.beat.Engine
		slots[h.engine] += h.beat.Slots
		workers++
	}
	return engines, slots, workers
}

// allHeard is how long after the first worker's word all have said theirs.
const allHeard = 6 * time.Second

// listened is how long ago the first of the live workers was first heard.
func (c *Coordinator) listened() (longest time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, h := range c.heard {
		longest = max(longest, time.Since(h.since))
	}
	return longest
}

// slots is how many jobs all workers do at once, as far as it is known.
func (c *Coordinator) slots() int {
	if c.Events == nil {
		return c.Slots
	}
	_, slots, _ := c.live()
	all := 0
	for _, n := range slots {
		all += n
	}
	return min(all, c.Slots)
}

// engine finds the engine that a run is pinned to: its submission's, else one
// that a worker has. ok is false while no worker was heard of that can make it.
func (p *pass) engine(ctx context.Context) (ok bool, err error) {
	if p.sub.Engine.Arch == "" {
		e, err := pinned[pipeline.Engine](ctx, p, "engine")
		if errors.Is(err, store.ErrAbsent) {
			if e, ok = p.c.choose(p.sub); !ok {
				return false, nil
			}
			err = decide(ctx, p, "engine", &e)
		}
		if err != nil {
			return false, err
		}
		p.sub.Engine = e
	}
	p.view.Engine = p.sub.Engine.ID()
	return true, nil
}

// choose prefers engines of this build, then those with more encoders, then
// those with more slots. During an upgrade some can't make what was submitted.
// It waits until all workers had their turn to be heard, or the first to speak
// would be chosen whatever it is.
func (c *Coordinator) choose(sub pipeline.Submission) (best pipeline.Engine, ok bool) {
	engines, slots, _ := c.live()
	if c.listened() < allHeard {
		return best, false
	}
	for _, id := range slices.Sorted(maps.Keys(engines)) {
		e := engines[id]
		if !e.Makes(sub) {
			continue
		}
		if !ok || c.better(e, best, slots[id]-slots[best.ID()]) {
			best, ok = e, true
		}
	}
	return best, ok
}

func (c *Coordinator) better(a, b pipeline.Engine, moreSlots int) bool {
	ours := func(e pipeline.Engine) bool {
		return maps.Equal(e.Steps, c.Engine.Steps) && maps.Equal(e.Stages, c.Engine.Stages) && e.Arch == c.Engine.Arch
	}
	switch {
	case ours(a) != ours(b):
		return ours(a)
	case len(a.Encoders) != len(b.Encoders):
		return len(a.Encoders) > len(b.Encoders)
	}
	return moreSlots > 0
}

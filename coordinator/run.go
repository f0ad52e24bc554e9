package coordinator

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"strings"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"

	"go.uber.org/zap"
)

// Run serves every unfinished title until ctx ends. What fails is logged and
// tried again at the next scan.
func (c *Coordinator) Run(ctx context.Context) error {
	c.mu.Lock()
	c.woken = make(chan struct{}, 1)
	c.mu.Unlock()
	if c.Events != nil {
		stop, err := c.Events.Watch(c.hear)
		if err != nil {
			return err
		}
		defer stop()
	}
	every := cmp.Or(c.Scan, scan)
	for next := time.Now(); ctx.Err() == nil; {
		fresh := !time.Now().Before(next)
		if fresh {
			next = time.Now().Add(every)
		}
		select { // whatever woke us is served now
		case <-c.woken:
		default:
		}
		if err := c.serve(ctx, fresh); err != nil && ctx.Err() == nil {
			c.failed("", err)
		}
		wait := time.NewTimer(time.Until(next))
		select {
		case <-ctx.Done():
		case <-c.woken:
		case <-wait.C:
		}
		wait.Stop()
	}
	return nil
}

// serve makes a pass over every title that has news, and over all of them when
// fresh, and rings, until nothing new is found.
func (c *Coordinator) serve(ctx context.Context, fresh bool) error {
	if fresh {
		if err := c.findTitles(ctx); err != nil {
			return err
		}
	}
	for again := true; again; fresh = false {
		c.tell()
		for _, k := range c.all() {
			if !k.stirs() && !(fresh && k.due()) {
				continue
			}
			if _, err := c.pass(ctx, k.title, fresh); err != nil {
				if ctx.Err() != nil {
					return ctx.Err()
				}
				c.failed(k.title, err)
			}
		}
		var err error
		if again, err = c.ring(ctx, fresh); err != nil {
			return err
		}
	}
	return nil
}

// failed tells of a pass over a title, or where it names none over the night.
func (c *Coordinator) failed(title string, err error) {
	c.mu.Lock()
	c.faults++
	c.mu.Unlock()
	if title == "" {
		c.Log.Warn("the night's titles are not all served; it is tried again", zap.Error(err))
		return
	}
	c.Log.Warn("not reconciled; it is tried again", zap.String("title", title), zap.Error(err))
}

// findTitles remembers every title that has an entry in the index, and
// forgets those that have none.
func (c *Coordinator) findTitles(ctx context.Context) error {
	states, damaged, err := indexed(ctx, c.Store, c.Looks)
	if err != nil {
		return err
	}
	for title, t := range states {
		c.know(title).meet(t)
	}
	for _, title := range damaged {
		c.know(title) // its pass says what is wrong
	}
	for _, k := range c.all() {
		if _, there := states[k.title]; !there && !slices.Contains(damaged, k.title) {
			// It was over before we saw that: what we rang for is in nobody's mind but ours.
			k.mu.Lock()
			k.wants = nil
			k.mu.Unlock()
			if err := c.withdraw(ctx, []*known{k}); err != nil {
				return err
			}
			c.forget(k.title)
		}
	}
	return nil
}

// meet takes a title's state in as the index has it.
func (k *known) meet(t pipeline.TitleState) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.order, k.moved = OrderOf(t), k.rev != t.Rev
}

// due tells whether the clock alone is a reason for a pass: the title moved,
// or the last pass failed or found no worker, or there are rings whose news
// may have been lost. A title that only waits for its turn is left alone.
func (k *known) due() bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.moved || k.failed || k.view.Engine == "" || len(k.out) > 0
}

// all is every title that is remembered, by name. It is not to be changed.
func (c *Coordinator) all() []*known {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.listed == nil {
		c.listed = slices.SortedFunc(maps.Values(c.titles), func(a, b *known) int { return strings.Compare(a.title, b.title) })
	}
	return c.listed
}

// hear takes an event in.
func (c *Coordinator) hear(e queue.Event) {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case e.Beat != nil:
		if c.heard == nil {
			c.heard = map[string]heard{}
		}
		h, known := c.heard[e.Worker]
		if !known {
			h.since = time.Now()
		}
		h.beat, h.engine, h.at = *e.Beat, e.Beat.Engine.ID(), time.Now()
		c.heard[e.Worker] = h
		if known {
			return
		}
	case e.Done || e.Failed:
		if c.news == nil {
			c.news = map[pipeline.Digest]bool{}
		}
		c.news[e.Key] = true
	default:
		return
	}
	select {
	case c.woken <- struct{}{}:
	default:
	}
}

// tell hands what was heard of keys to the titles that wait for them.
func (c *Coordinator) tell() {
	c.mu.Lock()
	news := c.news
	c.news = nil
	c.mu.Unlock()
	if len(news) == 0 {
		return
	}
	for _, k := range c.all() {
		k.mu.Lock()
		for _, r := range k.out {
			for _, key := range r.keys {
				if news[key] {
					k.news[key] = true
				}
			}
		}
		k.mu.Unlock()
	}
}

// stirs tells whether a pass over a title would see something new.
func (k *known) stirs() bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return !k.failed && (k.anew || len(k.news) > 0)
}

// Night is how a night goes, for whoever watches over it.
type Night struct {
	Titles, Overdue       int   // unfinished
	Chapters, Holes       int   // that are left, or will not be there, of titles that were looked at
	Rings, Workers, Slots int   // rings that are out; workers heard of lately, and their slots
	Faults                int64 // passes that failed, since the start
}

// Night tells how the night goes.
func (c *Coordinator) Night() Night {
	n := Night{Slots: c.slots()}
	_, _, n.Workers = c.live()
	for _, k := range c.all() {
		k.mu.Lock()
		n.Titles++
		if !k.order.Due.IsZero() && time.Now().After(k.order.Due) {
			n.Overdue++
		}
		for _, ch := range k.view.Chapters {
			switch {
			case ch.Hole != "":
				n.Holes++
			case len(ch.Missing) > 0 || k.view.Step != pipeline.StepFile:
				n.Chapters++
			}
		}
		n.Rings += len(k.out)
		k.mu.Unlock()
	}
	c.mu.Lock()
	n.Faults = c.faults
	c.mu.Unlock()
	return n
}

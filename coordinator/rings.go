package coordinator

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"

	"go.uber.org/zap"
)

// ringsPerSlot is how many rings are out at a time for each slot: enough that
// no slot waits for a coordinator, few enough that what is urgent comes soon.
const ringsPerSlot = 4

// want is what one chapter misses: one ring, one job.
type want struct {
	ring    queue.Ring
	results []result
	recipes func() []pipeline.Recipe // of the chapter's whole group
}

func (w want) keys() []pipeline.Digest { return append([]pipeline.Digest{w.ring.Key}, w.ring.With...) }

// rung is a ring that is out.
type rung struct {
	ring  queue.Ring
	keys  []pipeline.Digest
	since time.Time // when it last had news
	tries int       // those begun then
}

// isOut tells whether a ring for a key is out.
func (k *known) isOut(key pipeline.Digest) bool {
	for _, r := range k.out {
		if slices.Contains(r.keys, key) {
			return true
		}
	}
	return false
}

// same tells whether two rings are one to the queue.
func same(a, b queue.Ring) bool {
	return a.Key == b.Key && a.Class == b.Class && a.Engine == b.Engine
}

// ring takes back rings that nobody waits for any more and rings for what is
// wanted, as far as there is room, in the night's order. fresh: what is out
// already is rung for once more, in case the broker lost it. again is true
// where something was found that a pass should see before more is done.
func (c *Coordinator) ring(ctx context.Context, fresh bool) (again bool, err error) {
	c.ringing.Lock()
	defer c.ringing.Unlock()
	all := c.all()
	if err := c.withdraw(ctx, all); err != nil {
		return false, err
	}
	if fresh {
		if err := c.repeat(ctx, all); err != nil {
			return false, err
		}
	}
	turn := c.turn(all)
	for {
		k, w := turn.next()
		if k == nil {
			break
		}
		rang, err := c.ringFor(ctx, k, w)
		if err != nil {
			return false, err
		}
		if rang {
			turn.rang(k, w)
		}
	}
	return slices.ContainsFunc(all, (*known).stirs), nil
}

// withdraw drops what is no longer out: rings whose key is settled, and rings
// that the latest pass did not ask for, as after a newer run.
func (c *Coordinator) withdraw(ctx context.Context, all []*known) error {
	for _, k := range all {
		for _, r := range k.idle() {
			if !c.wanted(r) {
				if err := c.Queue.Withdraw(ctx, r); err != nil {
					return err
				}
			}
			k.mu.Lock()
			delete(k.out, r.Key)
			k.mu.Unlock()
		}
	}
	return nil
}

// idle forgets the rings whose key is settled, and returns the others that the
// latest pass did not ask for, in order.
func (k *known) idle() (back []queue.Ring) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for key, r := range k.out {
		if slices.ContainsFunc(k.wants, func(w want) bool { return same(w.ring, r.ring) }) {
			continue
		}
		if _, committed := k.commits[key]; committed || k.seen[key].state == hole {
			delete(k.out, key)
		} else {
			back = append(back, r.ring)
		}
	}
	slices.SortFunc(back, func(a, b queue.Ring) int { return strings.Compare(string(a.Key), string(b.Key)) })
	return back
}

// repeat rings once more for what is out. What has been out for long without
// news may be dead and is withdrawn first.
func (c *Coordinator) repeat(ctx context.Context, all []*known) error {
	for _, k := range all {
		k.mu.Lock()
		err := c.repeatOf(ctx, k)
		k.mu.Unlock()
		if err != nil {
			return err
		}
	}
	return nil
}

func (c *Coordinator) repeatOf(ctx context.Context, k *known) error {
	for _, w := range k.wants {
		r := k.out[w.ring.Key]
		if r == nil {
			continue
		}
		tries, now := 0, time.Now()
		for _, res := range w.results {
			tries += res.tries
		}
		if tries != r.tries {
			r.since, r.tries = now, tries
		} else if now.Sub(r.since) >= cmp.Or(c.Silence, silence) {
			c.Log.Warn("nobody has taken a ring for long: it is rung anew", zap.String("title", k.title), zap.String("key", r.ring.Key.Short()))
			if err := c.Queue.Withdraw(ctx, r.ring); err != nil {
				return fmt.Errorf("ring for %s: %w", r.ring.Key.Short(), err)
			}
			r.since = now
		}
		if err := c.submit(ctx, k, w); err != nil {
			return err
		}
		r.ring, r.keys = w.ring, w.keys()
	}
	return nil
}

// ringFor rings for one chapter, unless a closer look finds that there is
// nothing to ring for: then the next pass will see it.
func (c *Coordinator) ringFor(ctx context.Context, k *known, w want) (rang bool, err error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	p := &pass{c: c, title: k.title, known: k}
	r := &rung{ring: w.ring, keys: w.keys(), since: time.Now()}
	for i := range w.results {
		res := &w.results[i]
		if !res.whole {
			before := *res
			if err := c.fetch(ctx, res, true, true); err != nil {
				return false, err
			}
			p.learn(*res)
			k.anew = k.anew || res.state != before.state
		}
		r.tries += res.tries
	}
	if s := of(w.results); s == done || s == hole || w.results[0].state == done {
		return false, nil
	}
	k.out[w.ring.Key] = r // also when it is not confirmed: it may be out
	return true, c.submit(ctx, k, w)
}

// submit writes down what a want misses and rings for it: a worker must find
// what it is rung for, and a ring of the same key may have other siblings than
// the last time.
func (c *Coordinator) submit(ctx context.Context, k *known, w want) error {
	if err := c.writeDown(ctx, k, w); err != nil {
		return err
	}
	if err := c.Queue.Submit(ctx, w.ring); err != nil {
		return fmt.Errorf("ring for %s: %w", w.ring.Key.Short(), err)
	}
	return nil
}

// writeDown writes the recipes of what a chapter misses.
func (c *Coordinator) writeDown(ctx context.Context, k *known, w want) error {
	missing := map[pipeline.Digest]bool{}
	for _, res := range w.results {
		if res.state != done && !k.written[res.key] {
			missing[res.key] = true
		}
	}
	if len(missing) == 0 {
		return nil
	}
	for _, r := range w.recipes() {
		text := r.Text()
		if key := pipeline.DigestOf(text); missing[key] {
			if err := c.writeRecipe(ctx, k, key, text); err != nil {
				return err
			}
		}
	}
	return nil
}

// writeRecipe writes one down. Where other bytes are there, whoever reads them
// sees that they are not those of their name.
func (c *Coordinator) writeRecipe(ctx context.Context, k *known, key pipeline.Digest, text []byte) error {
	if k.written[key] {
		return nil
	}
	err := store.Create(ctx, c.Store, recipeName(key), text)
	if errors.Is(err, store.ErrConflict) {
		_, err = c.Store.Stat(ctx, recipeName(key))
	}
	if err != nil {
		return err
	}
	k.written[key] = true
	return nil
}

package simulation

import (
	"context"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

// doorbell is the broker as a process sees it.
type doorbell struct{ p *process }

func (q doorbell) ask(ctx context.Context, op, name string, act func(fate) error) error {
	return q.p.ask(ctx, "broker", op, name, act)
}

func nameOf(r queue.Ring) string { return string(r.Class) + " " + r.Key.Short() + " " + r.Engine }

// dropping is how long servers may still be at dropping a ring.
const dropping = 3 * time.Second

// Submit is queue.Queue's. Servers that are still dropping the ring may take
// the new one along.
func (q doorbell) Submit(ctx context.Context, r queue.Ring) error {
	return q.ask(ctx, "Submit", nameOf(r), func(f fate) error {
		w := q.p.w
		w.judge.rings(q.p, r, f.orphan)
		w.mu.Lock()
		at, recently := w.dropped[nameOf(r)]
		w.mu.Unlock()
		if recently && f.odd && time.Since(at) < dropping {
			w.note(q.p.id, "swallowed", nameOf(r), "")
			return nil
		}
		return w.broker.Submit(context.Background(), r)
	})
}

// Withdraw is queue.Queue's. It may take effect some time after the reply.
func (q doorbell) Withdraw(ctx context.Context, r queue.Ring) error {
	return q.ask(ctx, "Withdraw", nameOf(r), func(f fate) error {
		for _, key := range append([]pipeline.Digest{r.Key}, r.With...) {
			q.p.w.judge.forks(key)
		}
		act := func() error {
			return q.p.w.drop(r, func() error { return q.p.w.broker.Withdraw(context.Background(), r) })
		}
		if f.odd {
			q.p.w.after(between(q.p.w.next("late withdrawal "+nameOf(r)), 0, dropping), func() { _ = act() })
			return nil
		}
		return act()
	})
}

// drop notes when a ring is dropped.
func (w *world) drop(r queue.Ring, how func() error) error {
	w.mu.Lock()
	w.dropped[nameOf(r)] = time.Now()
	w.mu.Unlock()
	return how()
}

// Lease is queue.Queue's. A ring whose delivery is lost stays leased.
func (q doorbell) Lease(ctx context.Context, engine string, wait time.Duration) (queue.Lease, error) {
	if err := q.p.gate("Lease"); err != nil {
		return nil, err
	}
	asked := time.Now()
	var got queue.Lease
	var at time.Time
	err := q.ask(ctx, "Lease", engine, func(fate) (err error) {
		got, err = q.p.w.broker.Lease(ctx, engine, wait)
		at = time.Now()
		return err
	})
	if err != nil {
		return nil, err
	}
	until := asked.Add(holderTime)
	if !time.Now().Before(until) {
		return nil, queue.ErrEmpty
	}
	ring := got.Ring()
	q.p.w.note(q.p.id, "leased", nameOf(ring), "")
	return &held{Lease: got, p: q.p, ring: ring, term: queue.NewTerm(until), until: at.Add(leaseTime)}, nil
}

// held is a lease as its holder sees it: it keeps the rule of silence, and its
// words travel.
type held struct {
	queue.Lease
	p     *process
	ring  queue.Ring
	term  *queue.Term
	until time.Time // when the broker hands the ring out again; under the world's mutex
}

func (h *held) Extend(ctx context.Context) error {
	return h.word(ctx, "Extend", func(say func() error) error { return h.term.Extend(ctx, holderTime, say) }, func() error {
		err := h.Lease.Extend(context.Background())
		h.p.w.mu.Lock()
		defer h.p.w.mu.Unlock()
		h.until = time.Now().Add(leaseTime)
		return err
	})
}

func (h *held) Done(ctx context.Context) error {
	return h.word(ctx, "Done", func(say func() error) error { return h.term.End(ctx, say) }, func() error {
		return h.p.w.drop(h.ring, func() error { return h.Lease.Done(context.Background()) })
	})
}

func (h *held) Retry(ctx context.Context, after time.Duration) error {
	return h.word(ctx, "Retry", func(say func() error) error { return h.term.End(ctx, say) }, func() error {
		return h.Lease.Retry(context.Background(), after)
	})
}

// word says something under the lease's term. Who stands still asks the clock
// only when it goes on.
func (h *held) word(ctx context.Context, word string, term func(say func() error) error, act func() error) error {
	if err := h.p.gate(word + nameOf(h.ring)); err != nil {
		return err
	}
	return term(func() error {
		h.p.w.judge.says(h, word)
		return h.p.ask(ctx, "broker", word, nameOf(h.ring), func(fate) error { return act() })
	})
}

// watch is someone who listens for news.
type watch struct {
	p    *process
	each func(queue.Event)
	over bool
}

// news is what processes tell each other; much of it is lost, and all of it late.
type news struct{ p *process }

// Watch is queue.Events'.
func (n news) Watch(each func(queue.Event)) (stop func(), err error) {
	w := n.p.w
	one := &watch{p: n.p, each: each}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.watches = append(w.watches, one)
	return func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		one.over = true
	}, nil
}

// Say is queue.Events'.
func (n news) Say(e queue.Event) {
	w := n.p.w
	w.mu.Lock()
	silent := n.p.dead || n.p.wakes != nil
	var all []*watch
	for _, one := range w.watches {
		if !one.over && !one.p.dead {
			all = append(all, one)
		}
	}
	w.watches = all
	w.mu.Unlock()
	if silent {
		return
	}
	w.judge.hears(n.p, e)
	about := n.p.id + " says " + about(e)
	for _, one := range all {
		r := w.next(about + " to " + one.p.id)
		takes, lost := between(r, time.Millisecond, 100*time.Millisecond), r.Float64()
		if w.now() < w.shape.quiet && (lost < w.shape.deaf || w.down(n.p.service.name, "broker") || w.down(one.p.service.name, "broker")) {
			continue
		}
		w.after(takes, func() {
			if one.p.gate(about) != nil {
				return
			}
			w.mu.Lock()
			over := one.over
			w.mu.Unlock()
			if !over {
				one.each(e)
			}
		})
	}
}

func about(e queue.Event) string {
	switch {
	case e.Beat != nil:
		return "beat"
	case e.Done:
		return "done " + e.Key.Short()
	case e.Failed:
		return "failed " + e.Key.Short()
	}
	return e.Step + " " + e.Key.Short()
}

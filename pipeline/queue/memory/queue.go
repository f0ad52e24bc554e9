// Package memory is a queue within one process: for tests and for simulated
// nights. It reads the clock of package time only, so that a testing/synctest
// bubble makes hours pass at once.
package memory

import (
	"context"
	"slices"
	"sync"
	"time"

	"chapterhouse/pipeline/queue"
)

// Options are what a test may want otherwise.
type Options struct {
	LeaseTime time.Duration // 0: 60 s
	MaxTries  int           // 0: queue.MaxTries
	// LateWords makes what a holder says after its lease has passed on act on
	// the ring and return nil, as a broker does that can't tell deliveries
	// apart: a late Done drops it, a late Extend keeps it from others, a late
	// Retry hands it out once more.
	LateWords bool
}

// Queue holds rings in memory.
type Queue struct {
	o       Options
	mu      sync.Mutex
	rings   []*ring       // in the order of Submit
	out     int64         // handed out
	changed chan struct{} // closed and renewed when a ring may have become free
}

// ring is one ring, waiting where its time to be handed out has come.
type ring struct {
	queue.Ring
	tries  int
	free   time.Time // handed out from then on
	holder *lease
}

// New is an empty queue.
func New(o Options) *Queue {
	if o.LeaseTime == 0 {
		o.LeaseTime = 60 * time.Second
	}
	if o.MaxTries == 0 {
		o.MaxTries = queue.MaxTries
	}
	return &Queue{o: o, changed: make(chan struct{})}
}

// Submit adds a ring that is not there.
func (q *Queue) Submit(ctx context.Context, r queue.Ring) error {
	if err := begin(ctx, queue.CheckRing(r)); err != nil {
		return err
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.find(r) < 0 {
		r.With = slices.Clone(r.With)
		q.rings = append(q.rings, &ring{Ring: r})
		q.wake()
	}
	return nil
}

// Withdraw removes a ring.
func (q *Queue) Withdraw(ctx context.Context, r queue.Ring) error {
	if err := begin(ctx, queue.CheckRing(r)); err != nil {
		return err
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if i := q.find(r); i >= 0 {
		q.rings = slices.Delete(q.rings, i, i+1)
	}
	return nil
}

// Clear forgets everything, as a broker does that lost its disk.
func (q *Queue) Clear() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.rings = nil
}

// Len is the number of rings, waiting, leased or dead.
func (q *Queue) Len() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.rings)
}

// Lease hands out the first ring that is free.
func (q *Queue) Lease(ctx context.Context, engine string, wait time.Duration) (queue.Lease, error) {
	if err := begin(ctx, queue.CheckEngine(engine)); err != nil {
		return nil, err
	}
	end := time.Now().Add(wait)
	for {
		q.mu.Lock()
		l, next := q.take(engine)
		changed := q.changed
		q.mu.Unlock()
		if l != nil {
			return l, nil
		}
		rest := time.Until(end)
		if rest <= 0 {
			return nil, queue.ErrEmpty
		}
		if !next.IsZero() {
			rest = min(rest, time.Until(next))
		}
		timer := time.NewTimer(rest)
		select {
		case <-ctx.Done():
			timer.Stop()
			return nil, ctx.Err()
		case <-changed:
			timer.Stop()
		case <-timer.C:
		}
	}
}

// take hands out a ring, or says when the next may be free (zero: never).
func (q *Queue) take(engine string) (l *lease, next time.Time) {
	now := time.Now()
	for _, class := range queue.Order(q.out) {
		for _, r := range q.rings {
			if queue.Short(r.Engine) != queue.Short(engine) || r.Class != class || r.tries >= q.o.MaxTries {
				continue
			}
			if r.free.After(now) {
				if next.IsZero() || r.free.Before(next) {
					next = r.free
				}
				continue
			}
			q.out++
			r.tries++
			r.free = now.Add(q.o.LeaseTime)
			r.holder = &lease{q: q, ring: r.Ring, tries: r.tries, until: r.free}
			return r.holder, next
		}
	}
	return nil, next
}

func (q *Queue) find(want queue.Ring) int {
	return slices.IndexFunc(q.rings, func(r *ring) bool {
		return queue.Short(r.Engine) == queue.Short(want.Engine) && r.Class == want.Class && r.Key == want.Key
	})
}

func (q *Queue) wake() {
	close(q.changed)
	q.changed = make(chan struct{})
}

// begin is how every method starts.
func begin(ctx context.Context, checked error) error {
	if checked != nil {
		return checked
	}
	return ctx.Err()
}

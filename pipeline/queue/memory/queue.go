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
	rings   []*ring // in the order of Submit
	out     int64   // handed out
	waiters []*waiter
	alarm   *time.Timer // for the next ring that becomes free by itself
}

// waiter is one Lease that waits. Rings go to who has waited longest, so that
// who gets one is decided here and not by whose goroutine runs first.
type waiter struct {
	engine string
	got    chan *lease // one at most
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
	return &Queue{o: o}
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
		q.handOut()
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

// Alive is every ring that is, or may still be, handed out, in the order of Submit.
func (q *Queue) Alive() []queue.Ring {
	q.mu.Lock()
	defer q.mu.Unlock()
	var all []queue.Ring
	for _, r := range q.rings {
		if r.tries < q.o.MaxTries || r.free.After(time.Now()) {
			all = append(all, r.Ring)
		}
	}
	return all
}

// Lease hands out the first ring that is free.
func (q *Queue) Lease(ctx context.Context, engine string, wait time.Duration) (queue.Lease, error) {
	if err := begin(ctx, queue.CheckEngine(engine)); err != nil {
		return nil, err
	}
	w := &waiter{engine: engine, got: make(chan *lease, 1)}
	q.mu.Lock()
	q.waiters = append(q.waiters, w)
	q.handOut()
	q.mu.Unlock()
	timer := time.NewTimer(wait)
	defer timer.Stop()
	err := queue.ErrEmpty
	select {
	case l := <-w.got:
		return l, nil
	case <-ctx.Done():
		err = ctx.Err()
	case <-timer.C:
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	q.waiters = slices.DeleteFunc(q.waiters, func(other *waiter) bool { return other == w })
	select {
	case l := <-w.got: // it came at the last moment
		return l, nil
	default:
		return nil, err
	}
}

// handOut gives what is free to who waits, and sees to it that what becomes
// free later is handed out then.
func (q *Queue) handOut() {
	var soonest time.Time
	var still []*waiter
	for _, w := range q.waiters {
		l, next := q.take(w.engine)
		if l != nil {
			w.got <- l
			continue
		}
		still = append(still, w)
		if soonest.IsZero() || !next.IsZero() && next.Before(soonest) {
			soonest = next
		}
	}
	q.waiters = still
	if q.alarm != nil {
		q.alarm.Stop()
		q.alarm = nil
	}
	if !soonest.IsZero() {
		q.alarm = time.AfterFunc(time.Until(soonest), func() {
			q.mu.Lock()
			defer q.mu.Unlock()
			q.handOut()
		})
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
			r.holder = q.lease(r, now)
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

// begin is how every method starts.
func begin(ctx context.Context, checked error) error {
	if checked != nil {
		return checked
	}
	return ctx.Err()
}

package memory

import (
	"context"
	"slices"
	"time"

	"chapterhouse/pipeline/queue"
)

// lease is one hand-out of a ring.
type lease struct {
	q     *Queue
	ring  queue.Ring
	tries int
	term  *queue.Term
	until time.Time // as the broker counts
}

// forEver is the term of who talks on when it is over.
const forEver = 100 * 365 * 24 * time.Hour

func (q *Queue) lease(r *ring, now time.Time) *lease {
	l := &lease{q: q, ring: r.Ring, tries: r.tries, until: now.Add(q.o.LeaseTime)}
	l.term = queue.NewTerm(now.Add(q.term()))
	return l
}

func (q *Queue) term() time.Duration {
	if q.o.LateWords {
		return forEver
	}
	return q.o.LeaseTime
}

func (l *lease) Ring() queue.Ring { return l.ring }

func (l *lease) Tries() int { return l.tries }

func (l *lease) Extend(ctx context.Context) error {
	return l.term.Extend(ctx, l.q.term(), func() error {
		return l.act(ctx, func(i int) {
			l.until = time.Now().Add(l.q.o.LeaseTime)
			l.q.rings[i].free = l.until
		})
	})
}

func (l *lease) Done(ctx context.Context) error {
	return l.term.End(ctx, func() error {
		return l.act(ctx, func(i int) { l.q.rings = slices.Delete(l.q.rings, i, i+1) })
	})
}

func (l *lease) Retry(ctx context.Context, after time.Duration) error {
	return l.term.End(ctx, func() error {
		return l.act(ctx, func(i int) {
			l.q.rings[i].free = time.Now().Add(min(max(after, 0), queue.MaxRetry))
			l.q.handOut()
		})
	})
}

// act does something to the ring as the broker does that knows no holders:
// what is said late acts on a later one's. Where the ring was withdrawn there
// is nothing to act on, and nothing that tells the holder.
func (l *lease) act(ctx context.Context, do func(i int)) error {
	l.q.mu.Lock()
	defer l.q.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	late := !time.Now().Before(l.until)
	if i := l.q.find(l.ring); i >= 0 && (l.q.rings[i].holder == l || late) {
		do(i)
	}
	return nil
}

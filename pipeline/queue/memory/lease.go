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
	until time.Time
	over  bool
}

func (l *lease) Ring() queue.Ring { return l.ring }

func (l *lease) Tries() int { return l.tries }

func (l *lease) Extend(ctx context.Context) error {
	return l.say(ctx, func(i int) {
		l.until = time.Now().Add(l.q.o.LeaseTime)
		l.q.rings[i].free = l.until
	})
}

func (l *lease) Done(ctx context.Context) error {
	return l.say(ctx, func(i int) {
		l.over = true
		l.q.rings = slices.Delete(l.q.rings, i, i+1)
	})
}

func (l *lease) Retry(ctx context.Context, after time.Duration) error {
	return l.say(ctx, func(i int) {
		l.over = true
		l.q.rings[i].free = time.Now().Add(min(max(after, 0), queue.MaxRetry))
		l.q.wake()
	})
}

// say acts on the ring, unless this lease is over. Where the ring was
// withdrawn there is nothing to act on, and nothing that tells the holder.
func (l *lease) say(ctx context.Context, act func(i int)) error {
	l.q.mu.Lock()
	defer l.q.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	late := !time.Now().Before(l.until)
	if l.over || late && !l.q.o.LateWords {
		return queue.ErrLost
	}
	i := l.q.find(l.ring)
	if i >= 0 && (l.q.rings[i].holder == l || late) {
		act(i)
	}
	return nil
}

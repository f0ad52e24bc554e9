package queue

import (
	"context"
	"time"
)

// A Term is how long the holder of a lease may speak. A broker may not be able
// to tell one hand-out of a ring from the next: a word that an earlier holder
// says late then acts on the lease of a later one, and could drop the ring or
// keep it from being handed out again. So a Term ends on the holder's own
// clock before the lease does at the broker, and after that nothing is said.
// Words are said one after another.
type Term struct {
	turn  chan struct{} // in the hands of whoever speaks
	until time.Time     // with the monotonic clock: a changed wall clock does not count
	over  bool
}

// NewTerm is a term until a moment that is counted from before the ring was
// handed out.
func NewTerm(until time.Time) *Term { return &Term{turn: make(chan struct{}, 1), until: until} }

// Extend says a word that makes the term last d from when it is sent.
func (t *Term) Extend(ctx context.Context, d time.Duration, say func() error) error {
	return t.word(ctx, say, func(sent time.Time) { t.until = sent.Add(d) })
}

// End says the last word.
func (t *Term) End(ctx context.Context, say func() error) error {
	return t.word(ctx, say, func(time.Time) { t.over = true })
}

// word says something, if this is still ours to tell; said is called once the
// broker has confirmed it.
func (t *Term) word(ctx context.Context, say func() error, said func(sent time.Time)) error {
	if err := ctx.Err(); err != nil {
		return err // a select would choose by chance
	}
	select {
	case t.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-t.turn }()
	sent := time.Now()
	if t.over || !sent.Before(t.until) {
		return ErrLost
	}
	err := say()
	if err == nil {
		said(sent)
	}
	return err
}

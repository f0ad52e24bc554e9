// Package queue is the seam to the broker, the doorbell of a night: a ring
// says that someone should look at a key. It never carries a fact that is not
// in the store as well; losing every ring costs time, never work.
//
// What every implementation promises, and queuetest checks:
//   - a ring of an engine, class and key is there at most once, whether waiting or leased;
//   - a leased ring that is neither extended, done nor retried within the
//     lease time is handed out again;
//   - Done, Extend and Retry of a lease that has passed on to another holder
//     are harmless: the commit decides, not the lease;
//   - methods may be called from any goroutine.
//
// What it can't promise: a Done that was sent in time and arrives late may
// drop a ring that another worker holds; and several servers may still be
// dropping a ring after its Done, which then takes a Submit of the same ring
// with it. So a worker says Done only after it has read a commit back, and a
// coordinator submits again, round by round, what has none.
package queue

import (
	"context"
	"errors"
	"time"

	"chapterhouse/pipeline"
)

var (
	// ErrEmpty: no ring came within the time given to Lease.
	ErrEmpty = errors.New("no ring waiting")
	// ErrLost: the lease is over, by time or by Done or Retry; nothing was
	// said to the broker. The ring may be in other hands.
	ErrLost = errors.New("the lease is over")
)

// Class is the urgency of a ring.
type Class string

const (
	Rush      Class = "rush"
	Overnight Class = "overnight"
)

// OvernightTurn: of so many rings that a Queue hands out, one is taken from
// overnight first, so that rush never starves it.
const OvernightTurn = 8

// Order is the order in which classes are looked at for a ring, after so many
// that were handed out.
func Order(handedOut int64) [2]Class {
	if handedOut%OvernightTurn == OvernightTurn-1 {
		return [2]Class{Overnight, Rush}
	}
	return [2]Class{Rush, Overnight}
}

// A Ring asks a worker of an engine to look at the chapter whose first
// missing result is Key. With names the other results of the same chapter
// that one pass makes as well; it is a hint, and no part of the ring's identity.
type Ring struct {
	Engine string            `json:"engine"` // pipeline.Engine.ID: [a-z0-9]+, told apart by its first 8
	Class  Class             `json:"class"`
	Key    pipeline.Digest   `json:"key"`
	With   []pipeline.Digest `json:"with,omitempty"` // what is more than 200 may be cut off
}

// MaxTries is how often a ring is handed out; after that it stays and blocks
// its place until it is withdrawn. It is far above the three failures that
// make a quarantine: only workers that vanish again and again get there.
const MaxTries = 20

// Queue hands rings from coordinators to workers.
type Queue interface {
	// Submit rings. A ring that is waiting or leased already is no error; nor
	// is one that was handed out MaxTries times, which nobody gets any more.
	// Who sees a key for long without a try or a commit calls Withdraw
	// and Submit: at worst that is a second hand-out, which is harmless.
	Submit(ctx context.Context, r Ring) error
	// Lease waits up to wait for one ring of an engine, rush before
	// overnight (see Order). ErrEmpty when none came.
	Lease(ctx context.Context, engine string, wait time.Duration) (Lease, error)
	// Withdraw takes a ring back if it is still there, leased or not; it may
	// then be submitted again at once. Its holder is not told. Where the
	// broker is several servers, one that has not heard of it yet may hand the
	// ring out once more: harmless, since workers look at the store first.
	Withdraw(ctx context.Context, r Ring) error
}

// A Lease is one ring in one worker's hands. Extend, Done and Retry return
// nil when the broker has confirmed them, ErrLost as soon as the lease may be
// over; they may be called from any goroutine.
type Lease interface {
	Ring() Ring
	Tries() int                                           // how often this ring was handed out, 1 the first time
	Extend(ctx context.Context) error                     // another lease time from now
	Done(ctx context.Context) error                       // the key is committed (or quarantined): drop the ring
	Retry(ctx context.Context, after time.Duration) error // hand it out again after a while, 10 minutes at most
}

// MaxRetry bounds Retry: a ring that waits for its retry counts as leased.
const MaxRetry = 10 * time.Minute

// An Event is news for whoever watches: lossy, never acted on alone.
type Event struct {
	Key      pipeline.Digest `json:"key"`
	Step     string          `json:"step,omitempty"`
	Progress float64         `json:"progress"`         // 0..1 of the step
	Done     bool            `json:"done,omitempty"`   // its commit was read back
	Failed   bool            `json:"failed,omitempty"` // a failed try was noted
	Worker   string          `json:"worker,omitempty"`
	Beat     *Beat           `json:"beat,omitempty"`
	// Coordinator is one that serves the night: it says its name every 5 s.
	Coordinator string `json:"coordinator,omitempty"`
}

// A Beat is what a worker says of itself, at its start and every 5 s.
type Beat struct {
	Engine pipeline.Engine `json:"engine"`
	Slots  int             `json:"slots"`
	Busy   int             `json:"busy"`
}

// Events carries news.
type Events interface {
	// Say tells whoever watches now; it never waits for them.
	Say(e Event)
	// Watch calls each from one goroutine with what is said from now on,
	// until stop is called. stop waits for a running each, which therefore
	// must not call it.
	Watch(each func(Event)) (stop func(), err error)
}

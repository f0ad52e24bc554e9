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
package queue

import (
	"context"
	"errors"
	"time"

	"chapterhouse/pipeline"
)

// ErrEmpty: no ring came within the time given to Lease.
var ErrEmpty = errors.New("no ring waiting")

// Class is the urgency of a ring.
type Class string

const (
	Rush      Class = "rush"
	Overnight Class = "overnight"
)

// A Ring asks a worker of an engine to look at the chapter whose first
// missing result is Key. With names the other results of the same chapter
// that one pass makes as well; it is a hint, and no part of the ring's identity.
type Ring struct {
	Engine string            `json:"engine"` // pipeline.Engine.ID: [a-z0-9]+
	Class  Class             `json:"class"`
	Key    pipeline.Digest   `json:"key"`
	With   []pipeline.Digest `json:"with,omitempty"`
}

// Queue hands rings from coordinators to workers.
type Queue interface {
	// Submit rings. A ring that is waiting or leased already is no error.
	Submit(ctx context.Context, r Ring) error
	// Lease waits up to wait for one ring of an engine, rush before
	// overnight. ErrEmpty when none came.
	Lease(ctx context.Context, engine string, wait time.Duration) (Lease, error)
	// Withdraw takes a ring back if it is still there, leased or not; it may
	// then be submitted again at once.
	Withdraw(ctx context.Context, r Ring) error
}

// A Lease is one ring in one worker's hands.
type Lease interface {
	Ring() Ring
	Tries() int                                           // how often this ring was handed out, 1 the first time
	Extend(ctx context.Context) error                     // another lease time from now
	Done(ctx context.Context) error                       // the key is committed (or quarantined): drop the ring
	Retry(ctx context.Context, after time.Duration) error // hand it out again after a while
}

// An Event is news for whoever watches: lossy, never acted on alone.
type Event struct {
	Key      pipeline.Digest `json:"key"`
	Step     string          `json:"step,omitempty"`
	Progress float64         `json:"progress"` // 0..1 of the step
	Done     bool            `json:"done,omitempty"`
	Worker   string          `json:"worker,omitempty"`
}

// Events carries news. Watch calls each from one goroutine until the returned
// stop function is called.
type Events interface {
	Say(e Event)
	Watch(each func(Event)) (stop func(), err error)
}

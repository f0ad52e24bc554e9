// Package queuetest holds the contract of queue.Queue and queue.Events as a
// test suite. Its waits are counted in lease times, so that it runs against a
// real broker with a short lease as well as in a bubble of faked time.
package queuetest

import (
	"testing"
	"testing/synctest"
	"time"

	"chapterhouse/pipeline/queue"
)

// A Bench is an empty queue with what the tests must know of it. MaxTries is
// 4 or more.
type Bench struct {
	queue.Queue
	Events    queue.Events
	LeaseTime time.Duration
	MaxTries  int
	Servers   int // that hold the rings; 0 and 1 are one
}

// Exercise runs the contract over a kind of queue. open gives an empty one and
// sees to its closing.
func Exercise(t *testing.T, open func(t *testing.T) Bench) {
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel() // most of it is waiting
			c.run(t, open(t))
		})
	}
}

// ExerciseInBubble is Exercise with each test in a testing/synctest bubble.
func ExerciseInBubble(t *testing.T, open func(t *testing.T) Bench) {
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { c.run(t, open(t)) })
		})
	}
}

var cases = []struct {
	name string
	run  func(*testing.T, Bench)
}{
	{"ring and done", ringAndDone},
	{"empty", empty},
	{"wakes for a ring", wakes},
	{"once while waiting and leased", once},
	{"again after done", againAfterDone},
	{"handed out again after the lease time", redelivered},
	{"extend keeps it", extendKeeps},
	{"retry", retry},
	{"retry with a delay", retryLater},
	{"a ring on retry stops no other", retryStopsNobody},
	{"over is over", overIsOver},
	{"late words are harmless", lateWords},
	{"rush before overnight", rushFirst},
	{"overnight is not starved", notStarved},
	{"engines do not see each other", engines},
	{"withdraw while waiting", withdrawWaiting},
	{"withdraw while leased", withdrawLeased},
	{"handed out too often", dead},
	{"canceled", canceled},
	{"odd rings", oddRings},
	{"long hint", longHint},
	{"many workers", many},
	{"events", events},
	{"events without a watcher", unwatched},
}

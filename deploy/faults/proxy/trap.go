// Package proxy stands between a program and the servers it talks to, and does
// to what passes what networks and servers do on bad days. Link is a network
// of bytes that can be slow, lossy, silent or cut; HTTP and NATS know what
// they carry and wait for one request or message among all.
package proxy

import (
	"context"
	"fmt"
	"sync"
)

// Fate is what happens to a thing that was caught.
type Fate int

const (
	Pass      Fate = iota // nothing: it is only told of
	Hold                  // it waits before the server sees it, until Release or Drop
	HoldReply             // the server has done it; the answer waits
	DropReply             // the server has done it; the connection breaks instead of an answer
	Cut                   // the connection breaks before the server sees it
	Lose                  // of a message: it never arrives, and nobody is told
	Refuse                // the server answers 503 and does nothing
)

// A Trap waits for things that look a certain way.
type Trap[T any] struct {
	looks  func(T) bool
	fate   Fate
	caught chan T
	free   chan struct{} // closed by Release and Drop
	once   sync.Once

	mu          sync.Mutex
	skip, times int // so many are let through first, so many are caught; times < 0: all
	dropped     bool
}

// waiting is how many caught things Wait may be behind.
const waiting = 4096

// Wait returns the next thing that was caught.
func (t *Trap[T]) Wait(ctx context.Context) (T, error) {
	select {
	case v := <-t.caught:
		return v, nil
	case <-ctx.Done():
		var none T
		return none, fmt.Errorf("nothing was caught: %w", context.Cause(ctx))
	}
}

// Caught is how many things were caught that Wait has not returned.
func (t *Trap[T]) Caught() int { return len(t.caught) }

// Release lets what is held go on, and everything after it.
func (t *Trap[T]) Release() { t.once.Do(func() { close(t.free) }) }

// Drop breaks what is held, and lets go on what comes after it.
func (t *Trap[T]) Drop() {
	t.mu.Lock()
	t.dropped = true
	t.mu.Unlock()
	t.Release()
}

// held waits for the end of a hold; false: it is dropped.
func (t *Trap[T]) held() bool {
	<-t.free
	t.mu.Lock()
	defer t.mu.Unlock()
	return !t.dropped
}

// take tells whether the trap catches v.
func (t *Trap[T]) take(v T) bool {
	select {
	case <-t.free:
		return false
	default:
	}
	if !t.looks(v) {
		return false
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.skip > 0 {
		t.skip--
		return false
	}
	if t.times == 0 {
		return false
	}
	t.times--
	select {
	case t.caught <- v:
	default: // nobody asks for it
	}
	return true
}

// traps are those of one proxy, the latest first.
type traps[T any] struct {
	mu  sync.Mutex
	set []*Trap[T]
}

// Catch sets a trap for the first so many things that look so, after skip that
// are let through; times < 0: all.
func (s *traps[T]) Catch(fate Fate, skip, times int, looks func(T) bool) *Trap[T] {
	t := &Trap[T]{looks: looks, fate: fate, skip: skip, times: times, caught: make(chan T, waiting), free: make(chan struct{})}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.set = append([]*Trap[T]{t}, s.set...)
	return t
}

// Clear takes all traps away and releases what they hold.
func (s *traps[T]) Clear() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, t := range s.set {
		t.Release()
	}
	s.set = nil
}

// caught is the trap that v falls into, nil where none.
func (s *traps[T]) caught(v T) *Trap[T] {
	s.mu.Lock()
	set := s.set
	s.mu.Unlock()
	for _, t := range set {
		if t.take(v) {
			return t
		}
	}
	return nil
}

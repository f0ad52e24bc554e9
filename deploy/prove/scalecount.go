package main

import (
	"context"
	"io"
	"maps"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"
)

// A countedStore counts what is asked of a store.
type countedStore struct {
	store.Store
	kept  *atomic.Int64 // bytes that were written, names and all
	stood func()        // an entry of the index of unfinished runs was taken away; nil: nobody asks

	mu    sync.Mutex
	calls map[string]int // by method
}

func (s *countedStore) count(method string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.calls == nil {
		s.calls = map[string]int{}
	}
	s.calls[method]++
}

func (s *countedStore) counts() map[string]int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return maps.Clone(s.calls)
}

// Get counts a read.
func (s *countedStore) Get(ctx context.Context, name string, off, n int64) (io.ReadCloser, error) {
	s.count("Get")
	return s.Store.Get(ctx, name, off, n)
}

// Put counts a blob.
func (s *countedStore) Put(ctx context.Context, d pipeline.Digest, from io.ReadSeeker) error {
	s.count("Put")
	n, err := from.Seek(0, io.SeekEnd)
	if err == nil {
		err = s.Store.Put(ctx, d, from)
	}
	if err == nil {
		s.kept.Add(int64(len(store.BlobName(d))) + n)
	}
	return err
}

// Swap counts a write.
func (s *countedStore) Swap(ctx context.Context, name string, old store.Version, data []byte) (store.Version, error) {
	s.count("Swap")
	v, err := s.Store.Swap(ctx, name, old, data)
	if err == nil {
		s.kept.Add(int64(len(name) + len(data)))
	}
	return v, err
}

// Stat counts a look.
func (s *countedStore) Stat(ctx context.Context, name string) (store.Info, error) {
	s.count("Stat")
	return s.Store.Stat(ctx, name)
}

// List counts a list.
func (s *countedStore) List(ctx context.Context, prefix string, each func(store.Info) error) error {
	s.count("List")
	return s.Store.List(ctx, prefix, each)
}

// Delete counts one that is gone.
func (s *countedStore) Delete(ctx context.Context, name string) error {
	s.count("Delete")
	err := s.Store.Delete(ctx, name)
	if err == nil && s.stood != nil && strings.HasPrefix(name, "open/") {
		s.stood()
	}
	return err
}

// A countedQueue knows at each moment which rings are out.
type countedQueue struct {
	queue.Queue

	mu    sync.Mutex
	out   map[string]bool
	most  int // that were out at a time
	rings int // that went out
	again int // times that one was rung for that was out already
}

func ringName(r queue.Ring) string { return r.Engine + string(r.Class) + string(r.Key) }

// Submit notes a ring before anyone can have it.
func (q *countedQueue) Submit(ctx context.Context, r queue.Ring) error {
	q.mu.Lock()
	if q.out == nil {
		q.out = map[string]bool{}
	}
	if q.out[ringName(r)] {
		q.again++
	} else {
		q.rings++
	}
	q.out[ringName(r)] = true
	q.most = max(q.most, len(q.out))
	q.mu.Unlock()
	return q.Queue.Submit(ctx, r)
}

// Withdraw takes a ring back.
func (q *countedQueue) Withdraw(ctx context.Context, r queue.Ring) error {
	err := q.Queue.Withdraw(ctx, r)
	q.gone(r)
	return err
}

// Lease hands out a ring whose end is noted.
func (q *countedQueue) Lease(ctx context.Context, engine string, wait time.Duration) (queue.Lease, error) {
	l, err := q.Queue.Lease(ctx, engine, wait)
	if err != nil {
		return nil, err
	}
	return &countedLease{l, q}, nil
}

func (q *countedQueue) gone(r queue.Ring) {
	q.mu.Lock()
	defer q.mu.Unlock()
	delete(q.out, ringName(r))
}

type countedLease struct {
	queue.Lease
	q *countedQueue
}

// Done ends a ring. It counts as gone from just before: the coordinator may
// ring for the next as soon as it hears of the result.
func (l *countedLease) Done(ctx context.Context) error {
	l.q.gone(l.Ring())
	return l.Lease.Done(ctx)
}

// ownThread keeps a goroutine on a thread of its own; the function it returns
// adds what that thread has used of the processor since.
func ownThread(ns *atomic.Int64) (end func()) {
	runtime.LockOSThread()
	began := processorOf(threadAlone)
	return func() {
		ns.Add(int64(processorOf(threadAlone) - began))
		runtime.UnlockOSThread()
	}
}

const threadAlone = 1 // RUSAGE_THREAD, getrusage(2)

// processorOf is the processor time, user and system, of this process or thread.
func processorOf(who int) time.Duration {
	var r syscall.Rusage
	_ = syscall.Getrusage(who, &r)
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}

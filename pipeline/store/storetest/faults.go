package storetest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// ErrFault is what a call that was made to fail returns, of kind Infra.
var ErrFault = errors.New("scripted fault")

// Fault is what happens to one call.
type Fault int

const (
	None      Fault = iota
	Fail            // nothing is done, ErrFault
	LoseReply       // it is done, ErrFault; what Get returned breaks off in the middle
	Conflict        // a Swap does nothing and says ErrConflict; other calls fail
)

// A Call is one call of a wrapped store.
type Call struct {
	N    int    // 1 for the first call of all
	Op   string // the method
	Name string // of the object, the digest of a Put, the prefix of a List
}

// Nth makes the n-th call suffer a fault, and no other: the way to try every
// place where a program may be hit is n = 1, 2, … until Calls is less than n.
func Nth(n int, f Fault) func(Call) Fault {
	return func(c Call) Fault {
		if c.N == n {
			return f
		}
		return None
	}
}

// Faulty is a store whose calls fail by a script.
type Faulty struct {
	store.Store
	script func(Call) Fault
	mu     sync.Mutex
	calls  int
}

// Wrap lets script decide what happens to each call of s. It is called from
// one goroutine at a time.
func Wrap(s store.Store, script func(Call) Fault) *Faulty {
	return &Faulty{Store: s, script: script}
}

// Calls is the number of calls so far.
func (f *Faulty) Calls() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.calls
}

func (f *Faulty) next(op, name string) Fault {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.calls++
	return f.script(Call{f.calls, op, name})
}

func broken(op, name string) error {
	return pipeline.Errorf(pipeline.Infra, op+" "+name, "%w", ErrFault)
}

// suffer runs do under the script.
func (f *Faulty) suffer(op, name string, do func() error) error {
	switch f.next(op, name) {
	case Fail:
		return broken(op, name)
	case LoseReply:
		if err := do(); err != nil {
			return err
		}
		return broken(op, name)
	case Conflict:
		if op == "Swap" {
			return fmt.Errorf("%s: %w", name, store.ErrConflict)
		}
		return broken(op, name)
	}
	return do()
}

// Get is store.Store's.
func (f *Faulty) Get(ctx context.Context, name string, off, n int64) (io.ReadCloser, error) {
	fault := f.next("Get", name)
	if fault == Fail || fault == Conflict {
		return nil, broken("Get", name)
	}
	r, err := f.Store.Get(ctx, name, off, n)
	if err != nil || fault == None {
		return r, err
	}
	data, err := io.ReadAll(r)
	if err = errors.Join(err, r.Close()); err != nil {
		return nil, err
	}
	return &halfway{rest: data[:len(data)/2], err: broken("Get", name)}, nil
}

type halfway struct {
	rest []byte
	err  error
}

func (h *halfway) Read(p []byte) (int, error) {
	if len(h.rest) == 0 {
		return 0, h.err
	}
	n := copy(p, h.rest)
	h.rest = h.rest[n:]
	return n, nil
}

func (h *halfway) Close() error { return nil }

// Put is store.Store's.
func (f *Faulty) Put(ctx context.Context, d pipeline.Digest, from io.ReadSeeker) error {
	return f.suffer("Put", string(d), func() error { return f.Store.Put(ctx, d, from) })
}

// Swap is store.Store's.
func (f *Faulty) Swap(ctx context.Context, name string, old store.Version, data []byte) (v store.Version, err error) {
	err = f.suffer("Swap", name, func() (err error) { v, err = f.Store.Swap(ctx, name, old, data); return err })
	if err != nil {
		return store.Absent, err
	}
	return v, nil
}

// Stat is store.Store's.
func (f *Faulty) Stat(ctx context.Context, name string) (info store.Info, err error) {
	err = f.suffer("Stat", name, func() (err error) { info, err = f.Store.Stat(ctx, name); return err })
	if err != nil {
		return store.Info{}, err
	}
	return info, nil
}

// List is store.Store's.
func (f *Faulty) List(ctx context.Context, prefix string, each func(store.Info) error) error {
	return f.suffer("List", prefix, func() error { return f.Store.List(ctx, prefix, each) })
}

// Delete is store.Store's.
func (f *Faulty) Delete(ctx context.Context, name string) error {
	return f.suffer("Delete", name, func() error { return f.Store.Delete(ctx, name) })
}

package simulation

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// storage is the store as a process sees it.
type storage struct{ p *process }

func (s storage) ask(ctx context.Context, op, name string, act func(fate) error) error {
	return s.p.ask(ctx, "store", op, name, act)
}

// Get is store.Store's. A reply that is lost breaks off in the middle, or does not come.
func (s storage) Get(ctx context.Context, name string, off, n int64) (io.ReadCloser, error) {
	name = s.nameOf(name, false)
	var data []byte
	var broken error
	err := s.ask(ctx, "Get", name, func(f fate) error {
		r, err := s.p.w.store.Get(context.Background(), name, off, n)
		if err != nil {
			return err
		}
		data, err = io.ReadAll(r)
		if f.half && f.odd {
			data, broken = data[:len(data)/2], pipeline.Errorf(pipeline.Infra, "Get "+name, "%w", errFault)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return &reading{bytes.NewReader(data), broken}, nil
}

// reading is a reply that may break off at its end.
type reading struct {
	*bytes.Reader
	broken error
}

func (r *reading) Read(b []byte) (int, error) {
	n, err := r.Reader.Read(b)
	if err == io.EOF && r.broken != nil {
		err = r.broken
	}
	return n, err
}

// WriteTo hides the reader's own, which ends well.
func (r *reading) WriteTo(w io.Writer) (int64, error) { return io.Copy(w, struct{ io.Reader }{r}) }

func (r *reading) Close() error { return nil }

// Put is store.Store's.
func (s storage) Put(ctx context.Context, d pipeline.Digest, from io.ReadSeeker) error {
	if _, err := from.Seek(0, io.SeekStart); err != nil {
		return err
	}
	data, err := io.ReadAll(from)
	if err != nil {
		return err
	}
	return s.ask(ctx, "Put", string(d), func(fate) error {
		return s.p.w.store.Put(context.Background(), d, bytes.NewReader(data))
	})
}

// Swap is store.Store's.
func (s storage) Swap(ctx context.Context, name string, old store.Version, data []byte) (v store.Version, err error) {
	name, data = s.nameOf(name, true), bytes.Clone(data)
	err = s.ask(ctx, "Swap", name, func(f fate) (err error) {
		if f.fault == conflicts {
			return fmt.Errorf("%s: %w", name, store.ErrConflict)
		}
		v, err = s.p.w.judge.swap(s.p, name, old, data)
		return err
	})
	if err != nil {
		return store.Absent, err
	}
	return v, nil
}

// Stat is store.Store's.
func (s storage) Stat(ctx context.Context, name string) (info store.Info, err error) {
	err = s.ask(ctx, "Stat", name, func(fate) (err error) {
		info, err = s.p.w.store.Stat(context.Background(), name)
		return err
	})
	return info, err
}

// List is store.Store's.
func (s storage) List(ctx context.Context, prefix string, each func(store.Info) error) error {
	var all []store.Info
	err := s.ask(ctx, "List", prefix, func(fate) error {
		return s.p.w.store.List(context.Background(), prefix, func(i store.Info) error {
			all = append(all, i)
			return nil
		})
	})
	for _, i := range all {
		if err == nil {
			err = each(i)
		}
	}
	return err
}

// Delete is store.Store's.
func (s storage) Delete(ctx context.Context, name string) error {
	return s.ask(ctx, "Delete", name, func(fate) error { return s.p.w.judge.remove(s.p, name) })
}

// nameOf gives a try's object, which a worker names by true chance, a name
// that is the same whenever the night is played.
func (s storage) nameOf(name string, creates bool) string {
	rest, isTry := strings.CutPrefix(name, "attempts/")
	key, own, _ := strings.Cut(rest, "/")
	own, ending, _ := strings.Cut(own, ".")
	if !isTry {
		return name
	}
	s.p.w.mu.Lock()
	defer s.p.w.mu.Unlock()
	if creates && s.p.tries[own] == "" {
		about := s.p.id + " " + key + ending
		s.p.w.counts[about]++
		s.p.tries[own] = fmt.Sprintf("%s-%d", strings.ReplaceAll(s.p.id, "#", "-"), s.p.w.counts[about])
	}
	if s.p.tries[own] == "" {
		return name
	}
	return "attempts/" + key + "/" + s.p.tries[own] + "." + ending
}

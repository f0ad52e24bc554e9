// Package memory is a store that is gone with its process: for tests and for
// simulated nights. It forgets; it never fails by itself (storetest.Wrap does).
package memory

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"sync"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// Store holds objects in memory. The zero value is empty and ready.
type Store struct {
	mu   sync.Mutex
	root tree
}

// New is an empty store.
func New() *Store { return &Store{} }

// Get reads a range of an object as it is now.
func (s *Store) Get(ctx context.Context, name string, off, n int64) (io.ReadCloser, error) {
	if err := begin(ctx, store.CheckName(name)); err != nil {
		return nil, err
	}
	if off < 0 {
		return nil, pipeline.Errorf(pipeline.Bug, "", "%s: read from offset %d", name, off)
	}
	data, err := s.find(name)
	if err != nil {
		return nil, err
	}
	rest := data[min(off, int64(len(data))):]
	if n >= 0 && n < int64(len(rest)) {
		rest = rest[:n]
	}
	return io.NopCloser(bytes.NewReader(rest)), nil
}

// Put stores a blob.
func (s *Store) Put(ctx context.Context, d pipeline.Digest, from io.ReadSeeker) error {
	if err := begin(ctx, store.CheckDigest(d)); err != nil {
		return err
	}
	if _, err := s.find(store.BlobName(d)); err == nil {
		return nil
	}
	if _, err := from.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("store blob %s: read it from the start: %w", d.Short(), err)
	}
	data, err := io.ReadAll(from)
	if err != nil {
		return err
	}
	if pipeline.DigestOf(data) != d {
		return fmt.Errorf("store blob %s: %w", d.Short(), store.ErrDamaged)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.root.set(store.BlobName(d), data)
	return nil
}

// Swap creates or replaces an object.
func (s *Store) Swap(ctx context.Context, name string, old store.Version, data []byte) (store.Version, error) {
	if err := begin(ctx, store.CheckSwap(name, data)); err != nil {
		return store.Absent, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	now := store.Absent
	if there, ok := s.root.find(name); ok {
		now = versionOf(there)
	}
	if now != old {
		return store.Absent, fmt.Errorf("%s: %w", name, store.ErrConflict)
	}
	s.root.set(name, bytes.Clone(data))
	return versionOf(data), nil
}

// Stat describes an object.
func (s *Store) Stat(ctx context.Context, name string) (store.Info, error) {
	if err := begin(ctx, store.CheckName(name)); err != nil {
		return store.Info{}, err
	}
	data, err := s.find(name)
	if err != nil {
		return store.Info{}, err
	}
	return store.Info{Name: name, Bytes: int64(len(data)), Version: versionOf(data)}, nil
}

// List goes through the objects there were when it was called.
func (s *Store) List(ctx context.Context, prefix string, each func(store.Info) error) error {
	if err := begin(ctx, store.CheckPrefix(prefix)); err != nil {
		return err
	}
	var found []object
	s.mu.Lock()
	s.root.list("", prefix, &found)
	s.mu.Unlock()
	for _, o := range found {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := each(store.Info{Name: o.name, Bytes: int64(len(o.data)), Version: versionOf(o.data)}); err != nil {
			return err
		}
	}
	return nil
}

// Delete removes an object.
func (s *Store) Delete(ctx context.Context, name string) error {
	if err := begin(ctx, store.CheckName(name)); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.root.remove(name)
	return nil
}

// Break puts other bytes under a name, as a failing disk does. Put and Swap
// never would.
func (s *Store) Break(name string, data []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.root.set(name, bytes.Clone(data))
}

func (s *Store) find(name string) ([]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	data, ok := s.root.find(name)
	if !ok {
		return nil, fmt.Errorf("%s: %w", name, store.ErrAbsent)
	}
	return data, nil
}

func versionOf(data []byte) store.Version { return store.Version(pipeline.DigestOf(data)) }

// begin is how every method starts.
func begin(ctx context.Context, checked error) error {
	if checked != nil {
		return checked
	}
	return ctx.Err()
}

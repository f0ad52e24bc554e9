package storetest

import (
	"bytes"
	"crypto/rand"
	"errors"
	"io"
	"slices"
	"sync"
	"testing"

	"chapterhouse/pipeline/store"
)

func expectObject(t *testing.T, s store.Store, name string, want []byte) {
	t.Helper()
	r, err := s.Get(t.Context(), name, 0, -1)
	if err != nil {
		t.Fatalf("Get %s: %v", name, err)
	}
	defer r.Close()
	got, err := io.ReadAll(r)
	if err != nil || !bytes.Equal(got, want) {
		t.Fatalf("Get %s: %d bytes, %v; want %d bytes", name, len(got), err, len(want))
	}
	info, err := s.Stat(t.Context(), name)
	if err != nil || info.Bytes != int64(len(want)) || info.Name != name || info.Version == store.Absent {
		t.Fatalf("Stat %s: %+v, %v; want %d bytes", name, info, err, len(want))
	}
}

func expectAbsent(t *testing.T, s store.Store, name string) {
	t.Helper()
	if r, err := s.Get(t.Context(), name, 0, -1); !errors.Is(err, store.ErrAbsent) {
		if err == nil {
			_ = r.Close()
		}
		t.Fatalf("Get %s: %v, want ErrAbsent", name, err)
	}
	if _, err := s.Stat(t.Context(), name); !errors.Is(err, store.ErrAbsent) {
		t.Fatalf("Stat %s: %v, want ErrAbsent", name, err)
	}
}

func expectNames(t *testing.T, s store.Store, prefix string, want ...string) {
	t.Helper()
	var got []string
	must(t, s.List(t.Context(), prefix, func(i store.Info) error { got = append(got, i.Name); return nil }))
	if !slices.Equal(got, want) {
		t.Errorf("List %q:\n got %q\nwant %q", prefix, got, want)
	}
}

func create(t *testing.T, s store.Store, name, text string) store.Version {
	t.Helper()
	v, err := s.Swap(t.Context(), name, store.Absent, []byte(text))
	must(t, err)
	return v
}

// together runs n calls at once and waits for them.
func together(n int, call func(i int)) {
	var wg sync.WaitGroup
	start := make(chan struct{})
	for i := range n {
		wg.Go(func() { <-start; call(i) })
	}
	close(start)
	wg.Wait()
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func second[T any](_ T, err error) error { return err }

func random(n int) []byte {
	data := make([]byte, n)
	_, _ = rand.Read(data)
	return data
}

func flipped(data []byte) []byte {
	data = bytes.Clone(data)
	data[len(data)/2] ^= 1
	return data
}

package storetest

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"

	"chapterhouse/pipeline/store"
)

func createRace(t *testing.T, s store.Store) {
	race(t, 16, 20, func(round int) (string, store.Version) {
		return fmt.Sprintf("commits/%02d.json", round), store.Absent
	}, s)
}

func replaceRace(t *testing.T, s store.Store) {
	version := create(t, s, "titles/t/title.json", "start")
	race(t, 16, 20, func(int) (string, store.Version) {
		info, err := s.Stat(t.Context(), "titles/t/title.json")
		must(t, err)
		version = info.Version
		return "titles/t/title.json", version
	}, s)
}

// race lets n writers swap the same object from the same version, a number of
// rounds: exactly one may win each, and what stands is its bytes.
func race(t *testing.T, n, rounds int, next func(round int) (string, store.Version), s store.Store) {
	for round := range rounds {
		name, old := next(round)
		var winners atomic.Int32
		var won atomic.Value
		together(n, func(i int) {
			data := fmt.Sprintf("round %d, writer %d", round, i)
			if round%2 == 1 { // who writes the same bytes has not won either
				data = fmt.Sprintf("round %d", round)
			}
			_, err := s.Swap(t.Context(), name, old, []byte(data))
			switch {
			case err == nil:
				winners.Add(1)
				won.Store(data)
			case !errors.Is(err, store.ErrConflict):
				t.Errorf("round %d: %v", round, err)
			}
		})
		if winners.Load() != 1 {
			t.Fatalf("round %d: %d winners, want 1", round, winners.Load())
		}
		expectObject(t, s, name, []byte(won.Load().(string)))
	}
}

func updateRace(t *testing.T, s store.Store) {
	const writers, times = 8, 10
	type counter struct {
		Seq int `json:"seq"`
	}
	together(writers, func(int) {
		for range times {
			err := store.Update(t.Context(), s, "titles/t/title.json", func(c *counter) error { c.Seq++; return nil })
			if err != nil {
				t.Errorf("Update: %v", err)
			}
		}
	})
	var c counter
	must(t, store.ReadJSON(t.Context(), s, "titles/t/title.json", &c))
	if c.Seq != writers*times {
		t.Errorf("%d updates counted, want %d", c.Seq, writers*times)
	}
}

func wholeObjects(t *testing.T, s store.Store) {
	const name = "titles/t/title.json"
	content := func(i int) []byte { return bytes.Repeat([]byte{byte('a' + i%26)}, 1+i*3571%90_000) }
	version := create(t, s, name, string(content(0)))
	stop := make(chan struct{})
	var readers sync.WaitGroup
	for range 3 {
		readers.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				data, err := store.ReadObject(t.Context(), s, name)
				if err != nil {
					t.Errorf("read: %v", err)
					return
				}
				if i := int(data[0] - 'a'); !slices.ContainsFunc([]int{i, i + 26, i + 52}, func(i int) bool { return bytes.Equal(data, content(i)) }) {
					t.Errorf("read %d bytes that nobody wrote", len(data))
					return
				}
			}
		})
	}
	for i := 1; i < 60; i++ {
		var err error
		if version, err = s.Swap(t.Context(), name, version, content(i)); err != nil {
			t.Errorf("swap %d: %v", i, err)
			break
		}
	}
	close(stop)
	readers.Wait()
}

func deleteRace(t *testing.T, s store.Store) {
	for round := range 20 {
		name := fmt.Sprintf("titles/t%d/title.json", round)
		old, swapped := create(t, s, name, "old"), false
		together(2, func(i int) {
			if i == 0 {
				if err := s.Delete(t.Context(), name); err != nil {
					t.Errorf("Delete: %v", err)
				}
				return
			}
			_, err := s.Swap(t.Context(), name, old, []byte("new"))
			if swapped = err == nil; !swapped && !errors.Is(err, store.ErrConflict) {
				t.Errorf("Swap: %v", err)
			}
		})
		// Swap before Delete, or Delete before a Swap that then had nothing to
		// replace; a server may as well let the Swap have the last word.
		if data, err := store.ReadObject(t.Context(), s, name); err == nil {
			if !swapped || string(data) != "new" {
				t.Errorf("%s holds %q, swapped %v", name, data, swapped)
			}
			continue
		}
		expectAbsent(t, s, name)
	}
}

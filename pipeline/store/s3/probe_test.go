package s3

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"sync/atomic"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/storetest"
)

// TestProbe: a server that is right passes, and is left as it was.
func TestProbe(t *testing.T) {
	t.Parallel()
	o := optionsOf(gateway(t))
	o.Prefix = "ours"
	s := open(t, o)
	must(t, s.Probe(t.Context()))
	must(t, open(t, fakeOptions(t, "")).Probe(t.Context()))
	all := o
	all.Prefix = ""
	must(t, open(t, all).List(t.Context(), "", func(i store.Info) error { return fmt.Errorf("Probe left %s", i.Name) }))
	if s.emulated.Load() {
		t.Error("a good server's conditions are emulated")
	}
}

// TestProbeFails: what real servers were found to do wrong is found and
// named, and the store then works for one process alone. The wrongs:
//   - conditions were not known, and ignored, by several servers;
//   - check and write were two steps, so that all of 32 racers won;
//   - If-Match held for an object that is not there;
//   - a condition was tested the wrong way round.
func TestProbeFails(t *testing.T) {
	t.Parallel()
	for wrong, words := range map[string]string{
		"ignores conditions":                "If-Match",
		"checks, then lets others in":       "writers won a race",
		"ignores If-Match where nothing is": "replaced an object that is not there",
		"says no and stores":                "although it said that it did not",
	} {
		t.Run(wrong, func(t *testing.T) {
			o := fakeOptions(t, wrong)
			s := open(t, o)
			err := s.Probe(t.Context())
			if !errors.Is(err, ErrUnsafe) || pipeline.KindOf(err) != pipeline.Infra || !strings.Contains(err.Error(), words) || !strings.Contains(err.Error(), o.Endpoint) {
				t.Fatalf("Probe: %v, want ErrUnsafe with %q", err, words)
			}
			must(t, s.List(t.Context(), "", func(i store.Info) error { return fmt.Errorf("Probe left %s", i.Name) }))
			if err := s.Probe(t.Context()); !errors.Is(err, ErrUnsafe) {
				t.Errorf("Probe once more: %v", err)
			}
			_, err = s.Swap(t.Context(), titleName, "some version", nil)
			if _, created := s.Swap(t.Context(), titleName, store.Absent, nil); !errors.Is(err, store.ErrConflict) || created != nil {
				t.Errorf("replace nothing, create: %v, %v", err, created)
			}
			if _, err := s.Swap(t.Context(), titleName, store.Absent, nil); !errors.Is(err, store.ErrConflict) {
				t.Errorf("create once more: %v, want ErrConflict", err)
			}
		})
	}
}

// TestEmulated: on a server without conditions the contract holds within one
// process, and would not without the emulation.
func TestEmulated(t *testing.T) {
	t.Parallel()
	o := fakeOptions(t, "ignores conditions")
	var n atomic.Int32
	storetest.Exercise(t, func(t *testing.T) store.Store {
		o := o
		o.Prefix = fmt.Sprint(n.Add(1))
		s := open(t, o)
		_, err := s.Swap(t.Context(), "a", store.Absent, nil)
		must(t, err)
		if _, err := s.Swap(t.Context(), "a", store.Absent, []byte("x")); err != nil {
			t.Fatalf("the fake keeps conditions: %v", err)
		}
		must(t, s.Delete(t.Context(), "a"))
		s.emulated.Store(true) // as Probe does
		return s
	})
}

// TestProbeCantTell: trouble is not taken for a bad server.
func TestProbeCantTell(t *testing.T) {
	t.Parallel()
	g := gateway(t)
	s := open(t, optionsOf(g))
	g.Stop()
	s.patience = 1
	if err := s.Probe(t.Context()); err == nil || errors.Is(err, ErrUnsafe) || s.emulated.Load() {
		t.Errorf("Probe of a stopped server: %v, emulated %v", err, s.emulated.Load())
	}
}

// TestOddServers: servers that break other rules are named, not believed.
func TestOddServers(t *testing.T) {
	t.Parallel()
	s := open(t, fakeOptions(t, "ignores ranges"))
	_, err := s.Swap(t.Context(), "a", store.Absent, []byte("0123456789"))
	must(t, err)
	if _, err := s.Get(t.Context(), "a", 3, 4); err == nil || !strings.Contains(err.Error(), "no ranges") {
		t.Errorf("Get: %v", err)
	}
	if info, err := s.Stat(t.Context(), "a"); err != nil || info.Bytes != 10 {
		t.Errorf("Stat: %+v, %v", info, err)
	}
	r, err := s.Get(t.Context(), "a", 0, 4)
	must(t, err)
	if got, err := io.ReadAll(r); string(got) != "0123" || err != nil {
		t.Errorf("Get of the first 4 bytes: %q, %v", got, err)
	}
	must(t, r.Close())

	s = open(t, fakeOptions(t, "lists in another order"))
	for _, name := range []string{"a", "b"} {
		_, err := s.Swap(t.Context(), name, store.Absent, nil)
		must(t, err)
	}
	if err := s.List(t.Context(), "", func(store.Info) error { return nil }); err == nil || !strings.Contains(err.Error(), "not the order of names") {
		t.Errorf("List: %v", err)
	}

	o := fakeOptions(t, "ignores prefixes")
	s = open(t, o)
	_, err = s.Swap(t.Context(), "a", store.Absent, nil)
	must(t, err)
	o.Prefix = "quiet-street"
	if err := open(t, o).List(t.Context(), "", func(store.Info) error { return nil }); err == nil || !strings.Contains(err.Error(), `it lists "a" where`) {
		t.Errorf("List: %v", err)
	}
}

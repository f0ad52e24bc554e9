package coordinator

import (
	"errors"
	"strings"
	"testing"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// A title whose state is damaged holds up no other: it is said, and stays
// among the unfinished until someone mends it.
func TestDamagedTitle(t *testing.T) {
	for name, text := range map[string]string{"half a text": `{"seq":1,"wan`, "no run's name": `{"rev":1,"seq":1,"wanted":"../x"}`} {
		w := newWorld(t)
		w.submit()
		w.store.Break(titleName("an-orchard"), []byte(text))
		w.store.Break(openName("an-orchard", "000001"), []byte(`{}`))
		core, logs := observer.New(zap.WarnLevel)
		co := w.coordinator(w.store)
		co.Log = zap.New(core)
		for range 50 {
			if err := co.serve(t.Context(), true); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			for w.answer() {
			}
		}
		if got := w.state(); got.Standing == "" {
			t.Errorf("%s: the other title is not closed: %+v", name, got)
		}
		said := logs.FilterField(zap.String("title", "an-orchard"))
		if said.Len() == 0 || said.Len() != logs.Len() {
			t.Errorf("%s: %d of %d warnings are of it: %v", name, said.Len(), logs.Len(), logs.All())
		}
		open, err := Open(t.Context(), w.store)
		if err != nil || len(open) != 1 || open[0].Title != "an-orchard" {
			t.Errorf("%s: open are %+v, %v", name, open, err)
		}
	}
}

// TestDamagedCommit: a result that is of another key, or whose record is cut
// off, is named as damaged and not taken for the recipe's own; a repair removes
// it, and the night goes on.
func TestDamagedCommit(t *testing.T) {
	for name, spoil := range map[string]func(pipeline.Commit) pipeline.Commit{
		"nothing in it":    func(pipeline.Commit) pipeline.Commit { return pipeline.Commit{} },
		"of another key":   func(c pipeline.Commit) pipeline.Commit { c.Key = pipeline.DigestOf([]byte("another")); return c },
		"without a record": func(c pipeline.Commit) pipeline.Commit { c.Record = nil; return c },
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			w.submit()
			co := w.coordinator(w.store)
			for range 2 { // the sources are opened and measured
				w.answerAll(co)
			}
			r := w.recipes(pipeline.StepProfile, "02-1.flac")[0]
			object := commitName(r.Key())
			text, err := pipeline.Canonical(spoil(read[pipeline.Commit](w, object)))
			if err != nil {
				t.Fatal(err)
			}
			w.store.Break(object, text)
			if _, err := w.coordinator(w.store).Reconcile(t.Context(), title); !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), object) {
				t.Errorf("a pass says %v, want %s named as damaged", err, object)
			}
			found, err := Audit(t.Context(), w.store, AuditOptions{})
			if err == nil {
				err = Repair(t.Context(), w.store, &found)
			}
			if err != nil {
				t.Fatal(err)
			}
			w.expectWhole(w.night(w.coordinator(w.store)).Outcome)
		})
	}
}

// answerAll is a pass and the answers to all that it rings for.
func (w *world) answerAll(co *Coordinator) {
	w.t.Helper()
	if _, err := co.Reconcile(w.t.Context(), title); err != nil {
		w.t.Fatal(err)
	}
	for w.answer() {
	}
}

package coordinator

import (
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// TestLostBeforeClose: a file that is lost between its commit and the close
// is made again, alone, and the title closes as if nothing had happened; also
// where the coordinator had seen its commit before.
func TestLostBeforeClose(t *testing.T) {
	for _, c := range []struct {
		name string
		lose func(w *world, f pipeline.Output)
	}{
		{"gone", func(w *world, f pipeline.Output) { w.delete(store.BlobName(f.Blob)) }},
		{"cut short", func(w *world, f pipeline.Output) { w.cut(store.BlobName(f.Blob)) }},
		{"empty", func(w *world, f pipeline.Output) { w.store.Break(store.BlobName(f.Blob), nil) }},
	} {
		for _, remembered := range []bool{false, true} {
			t.Run(c.name, func(t *testing.T) {
				want := reference(t, newWorld)
				w := newWorld(t)
				w.submit()
				co := w.coordinator(w.store)
				lost := false
				var before int
				for range 200 {
					seen, err := co.Reconcile(t.Context(), title)
					if err != nil {
						t.Fatal(err)
					}
					if seen.Closed {
						if !lost {
							t.Fatal("closed before anything was lost")
						}
						if got := count(w.made[before:])[pipeline.StepFile]; got != 1 || len(w.made)-before != 1 {
							t.Errorf("made again: %v, want one file", count(w.made[before:]))
						}
						if got := w.audit(); len(got.Faults) > 0 {
							t.Errorf("%v", faults(got))
						}
						expectSame(t, c.name, w.results(), want)
						return
					}
					// One answer at a time: the coordinator sees each commit,
					// or, where it is to remember none, is a new one.
					for first := true; w.answer(); first = false {
						if remembered && first {
							break
						}
					}
					if files := w.files(); !lost && len(files) == 8 && count(w.made)[pipeline.StepCheck] == 4 {
						c.lose(w, files[3])
						lost, before = true, len(w.made)
					}
					if !remembered {
						co = w.coordinator(w.store)
					}
				}
				t.Fatal("not closed")
			})
		}
	}
}

// files are what the commits of files name.
func (w *world) files() (all []pipeline.Output) {
	for _, r := range w.made {
		if r.Step == pipeline.StepFile {
			all = append(all, read[pipeline.Commit](w, commitName(r.Key())).Files...)
		}
	}
	return all
}

// TestWhole: only the files of a commit count, and only a store that fails is an error.
func TestWhole(t *testing.T) {
	w := newWorld(t)
	src := w.upload("a", recording{})
	for _, c := range []struct {
		name  string
		files []pipeline.Output
		want  bool
	}{
		{"no files", nil, true},
		{"there", []pipeline.Output{{Blob: src.Blob, Bytes: src.Bytes}}, true},
		{"another size", []pipeline.Output{{Blob: src.Blob, Bytes: src.Bytes + 1}}, false},
		{"one of two", []pipeline.Output{{Blob: src.Blob, Bytes: src.Bytes}, {Blob: pipeline.DigestOf(nil)}}, false},
	} {
		if got, err := whole(t.Context(), w.store, pipeline.Commit{Files: c.files}); got != c.want || err != nil {
			t.Errorf("%s: %v, %v", c.name, got, err)
		}
	}
}

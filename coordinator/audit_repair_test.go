package coordinator

import (
	"context"
	"slices"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// repair audits and mends, and returns what it found and did.
func (w *world) repair() Audited {
	w.t.Helper()
	found := w.audit()
	if err := Repair(context.Background(), w.store, &found); err != nil {
		w.t.Fatal(err)
	}
	return found
}

// TestRepair: what can be made again is, in as few results as it takes, and
// the store is then as if nothing had happened, but for the run that did it.
func TestRepair(t *testing.T) {
	want := reference(t, newWorld)
	for _, c := range []struct {
		name  string
		plant func(*world)
		run   string                // that stands in the end
		made  map[pipeline.Step]int // what the night had to make again
	}{
		{"a rendered file's bytes", func(w *world) { w.flip(store.BlobName(w.file(3, "retail").Blob), 7) }, "000002", map[pipeline.Step]int{pipeline.StepFile: 1}},
		{"a rendered file of another size", func(w *world) { w.store.Break(store.BlobName(w.file(4, "lossless").Blob), []byte("audio")) }, "000002", map[pipeline.Step]int{pipeline.StepFile: 1}},
		{"an empty rendered file", func(w *world) { w.store.Break(store.BlobName(w.file(4, "lossless").Blob), nil) }, "000002", map[pipeline.Step]int{pipeline.StepFile: 1}},
		{"a rendered file gone", func(w *world) { w.delete(store.BlobName(w.file(1, "retail").Blob)) }, "000002", map[pipeline.Step]int{pipeline.StepFile: 1}},
		{"both files of a chapter", func(w *world) {
			w.flip(store.BlobName(w.file(2, "retail").Blob), 1)
			w.delete(store.BlobName(w.file(2, "lossless").Blob))
		}, "000002", map[pipeline.Step]int{pipeline.StepFile: 2}},
		{"a file's commit gone", func(w *world) { w.delete(commitName(w.file(3, "lossless").Key)) }, "000002", map[pipeline.Step]int{pipeline.StepFile: 1}},
		{"a file's commit damaged", func(w *world) { w.cut(commitName(w.file(3, "lossless").Key)) }, "000002", map[pipeline.Step]int{pipeline.StepFile: 1}},
		{"a file's commit and recipe", func(w *world) {
			w.cut(commitName(w.file(3, "lossless").Key))
			w.flip(recipeName(w.file(3, "lossless").Key), 9)
		}, "000002", map[pipeline.Step]int{pipeline.StepFile: 1}},
		{"commit and blob gone", func(w *world) {
			f := w.file(3, "lossless")
			w.delete(commitName(f.Key))
			w.delete(store.BlobName(f.Blob))
		}, "000002", map[pipeline.Step]int{pipeline.StepFile: 1}},
		{"a file's recipe damaged", func(w *world) { w.flip(recipeName(w.file(1, "lossless").Key), 100) }, "000001", nil},
		{"a file's recipe gone", func(w *world) { w.delete(recipeName(w.file(1, "lossless").Key)) }, "000001", nil},
		{"recipes of every step", func(w *world) {
			for _, step := range []pipeline.Step{pipeline.StepIntake, pipeline.StepProfile, pipeline.StepWeigh, pipeline.StepCheck} {
				w.flip(recipeName(w.keyOf(step, "02-1.flac")), 77)
			}
			for _, name := range w.pure() {
				w.flip(name, 30)
			}
		}, "000001", nil},
		{"a recipe that nothing was made of yet", func(w *world) { w.put(recipeName(pipeline.DigestOf([]byte("a"))), "b") }, "000001", nil},
		{"a plan gone", func(w *world) { w.delete(runName(title, "000001", "plan")) }, "000002", nil},
		{"a close damaged", func(w *world) { w.cut(runName(title, "000001", "close")) }, "000002", nil},
		{"fits gone", func(w *world) { w.delete(runName(title, "000001", "fits")) }, "000001", nil},
		{"gains damaged", func(w *world) { w.cut(runName(title, "000001", "gains")) }, "000001", nil},
		{"shares gone", func(w *world) {
			w.delete(shareName("ines", title, "000001"))
			w.delete(shareName("tobias", title, "000001"))
		}, "000001", nil},
		{"a share damaged", func(w *world) { w.cut(shareName("ines", title, "000001")) }, "000001", nil},
		{"a share that says otherwise", func(w *world) {
			w.replace(shareName("ines", title, "000001"), `"name":"Low Water"`, `"name":"Lew Water"`)
		}, "000001", nil},
		{"latest fits gone", func(w *world) { w.delete(narratorName("ines")) }, "000001", nil},
		{"latest fits damaged", func(w *world) { w.cut(narratorName("tobias")) }, "000001", nil},
		{"a stale entry", func(w *world) { w.put(openName(title, "000001"), "{}") }, "000001", nil},
		{"a blob that nobody needs", func(w *world) {
			d := w.upload("x", recording{}).Blob
			w.flip(store.BlobName(d), 0)
		}, "000001", nil},
		{"a failed try that can't be read", func(w *world) {
			w.put("attempts/"+string(w.keyOf(pipeline.StepProfile, "02-1.flac"))+"/a.err.json", "{")
		}, "000001", nil},
		{"a quarantine that can't be read", func(w *world) { w.put(quarantineName(w.keyOf(pipeline.StepWeigh, "02-1.flac")), "{") }, "000001", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			w.submitAndClose()
			blobs := w.objects(store.Blobs)
			c.plant(w)
			done := w.repair()
			if len(done.Faults) == 0 {
				t.Fatal("nothing is found")
			}
			if done.Left() > 0 {
				t.Errorf("left: %+v", done.Faults)
			}
			for _, f := range done.Faults {
				if f.Done == "" {
					t.Errorf("nothing is said of what was done: %+v", f)
				}
			}
			before := len(w.made)
			w.night(w.coordinator(w.store))
			if got := count(w.made[before:]); !equalCounts(got, c.made) {
				t.Errorf("made again: %v, want %v", got, c.made)
			}
			lost := runName(title, "000001", "plan")
			if c.name == "a close damaged" { // history, which nobody reads any more
				lost = runName(title, "000001", "close")
			}
			if got := w.audit(); len(got.Faults) > 0 && !slices.Equal(faults(got), []string{"notice damaged " + lost}) {
				t.Errorf("after it: %v", faults(got))
			}
			if got := w.state(); got.Standing != c.run || got.Wanted != c.run {
				t.Errorf("%+v, want run %s", got, c.run)
			}
			// What stood stands, byte for byte.
			got := w.objects("")
			for name, data := range blobs {
				if got[name] != data {
					t.Errorf("%s is %q, was %q", name, got[name], data)
				}
			}
			for name, data := range want {
				if got[name] != data && name != lost && name != titleName(title) && !strings.HasPrefix(name, "narrators/") {
					t.Errorf("%s differs:\n%.500s\n%.500s", name, got[name], data)
				}
			}
		})
	}
}

func equalCounts(a, b map[pipeline.Step]int) bool {
	for _, step := range []pipeline.Step{pipeline.StepIntake, pipeline.StepProfile, pipeline.StepWeigh, pipeline.StepFile, pipeline.StepCheck} {
		if a[step] != b[step] {
			return false
		}
	}
	return true
}

// pure are the recipes of fits and levels.
func (w *world) pure() (names []string) {
	for name := range w.objects("recipes/") {
		if r := read[pipeline.Recipe](w, name); r.Fit != nil || r.Level != nil {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// TestRepairUnfinished: an unfinished run decides again what it lost, and one
// that no coordinator would find is found.
func TestRepairUnfinished(t *testing.T) {
	for _, what := range []string{"plan", "fits", "gains", "open", "commit", "recipe"} {
		t.Run(what, func(t *testing.T) {
			want := reference(t, newWorld)
			w := newWorld(t)
			w.submit()
			co := w.coordinator(w.store)
			for !w.there(runName(title, "000001", "gains")) {
				if _, err := co.Reconcile(t.Context(), title); err != nil {
					t.Fatal(err)
				}
				for !w.there(runName(title, "000001", "gains")) && w.answer() {
				}
			}
			switch what {
			case "open":
				w.delete(openName(title, "000001"))
			case "commit":
				w.cut(commitName(w.keyOf(pipeline.StepWeigh, "03-1.flac")))
			case "recipe":
				commits := w.objects("commits/")
				for name := range w.objects("recipes/") {
					if commits["commits/"+strings.TrimPrefix(name, "recipes/")] == "" {
						w.flip(name, 20)
						break
					}
				}
			default:
				w.cut(runName(title, "000001", what))
			}
			if got := w.audit(); len(got.Faults) != 1 || got.Left() != 1 {
				t.Fatalf("found %v", faults(got))
			}
			if done := w.repair(); done.Left() > 0 {
				t.Errorf("left: %+v", done.Faults)
			}
			if open, err := Open(t.Context(), w.store); err != nil || len(open) != 1 {
				t.Errorf("open: %v, %v", open, err)
			}
			seen := w.night(w.coordinator(w.store))
			w.expectWhole(seen.Outcome)
			if got := w.audit(); len(got.Faults) > 0 {
				t.Errorf("after it: %v", faults(got))
			}
			got := w.results()
			for _, all := range []map[string]string{got, want} {
				delete(all, titleName(title))
			}
			expectSame(t, what, got, want)
		})
	}
}

package coordinator

import (
	"context"
	"errors"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/storetest"
)

// TestUploadAgain: a damaged upload is kept as what it is and makes room; the
// same upload heals the title, which makes nothing again.
func TestUploadAgain(t *testing.T) {
	for _, gone := range []bool{false, true} {
		w := newWorld(t)
		w.submitAndClose()
		d, _ := w.of("04-2.flac")
		name := store.BlobName(d)
		whole := w.objects(name)[name]
		if gone {
			w.delete(name)
		} else {
			w.flip(name, 2)
		}
		damaged := w.objects(name)[name]
		done := w.repair()
		if done.Left() != 1 || !strings.Contains(done.Faults[0].Do, "submit "+title+" again with the same 04-2.flac") {
			t.Errorf("%+v", done.Faults)
		}
		if w.there(name) {
			t.Error("what is damaged is in the way of the upload")
		}
		if kept := store.BlobName(pipeline.DigestOf([]byte(damaged))); !gone && w.objects(kept)[kept] != damaged {
			t.Error("the damaged bytes are lost")
		}
		if got := w.repair(); got.Left() != 1 || got.Faults[0].Fault != IsMissing {
			t.Errorf("a second repair: %+v", got.Faults)
		}
		before := len(w.made)
		w.record("04-2.flac", w.sources[d])
		w.submitAndClose()
		if got := w.objects(name)[name]; got != whole {
			t.Errorf("%q, was %q", got, whole)
		}
		if got := w.audit(); len(got.Faults) > 0 || len(w.made) != before || w.state().Standing != "000001" {
			t.Errorf("%v, %d made, %+v", faults(got), len(w.made)-before, w.state())
		}
	}
}

// TestRepairKeeps: what can't be made again is not removed, and is once what
// it is made from is there again.
func TestRepairKeeps(t *testing.T) {
	for _, c := range []struct {
		name  string
		plant func(*world)
	}{
		{"the upload is gone", func(w *world) { d, _ := w.of("03-1.flac"); w.delete(store.BlobName(d)) }},
		{"the upload is damaged", func(w *world) { d, _ := w.of("03-1.flac"); w.flip(store.BlobName(d), 0) }},
		{"upload and recipe are gone", func(w *world) {
			d, _ := w.of("03-1.flac")
			w.delete(store.BlobName(d))
			w.delete(recipeName(w.file(3, "retail").Key))
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			w.submitAndClose()
			f := w.file(3, "retail")
			w.flip(store.BlobName(f.Blob), 5)
			c.plant(w)
			done := w.repair()
			if done.Left() != 2 || !w.there(store.BlobName(f.Blob)) || !w.there(commitName(f.Key)) || w.state().Wanted != "000001" {
				t.Fatalf("%d left, %+v, wanted %s", done.Left(), done.Faults, w.state().Wanted)
			}
			d, r := w.of("03-1.flac")
			w.record("03-1.flac", r)
			if !w.there(store.BlobName(d)) {
				t.Fatal("the upload was not taken")
			}
			if done := w.repair(); done.Left() != 0 {
				t.Errorf("left: %+v", done.Faults)
			}
			before := len(w.made)
			w.night(w.coordinator(w.store))
			if got := count(w.made[before:]); len(w.made)-before != 1 || got[pipeline.StepFile] != 1 {
				t.Errorf("made: %v", got)
			}
			if got := w.audit(); len(got.Faults) > 0 {
				t.Errorf("%v", faults(got))
			}
		})
	}
}

// TestRepairBesideNewer: a title whose newer run is under way gets no run of
// the old submission on top of it.
func TestRepairBesideNewer(t *testing.T) {
	w := newWorld(t)
	w.submitAndClose()
	f := w.file(2, "lossless")
	w.delete(store.BlobName(f.Blob))
	w.sub.Title.Name = "Twelve Tide Gates"
	w.submit()
	found := w.audit()
	if len(found.Faults) != 1 || found.Left() != 1 {
		t.Fatalf("%+v", found.Faults)
	}
	if done := w.repair(); done.Left() != 0 || !strings.Contains(done.Faults[0].Done, "run 000002 of "+title+" is under way") {
		t.Errorf("%+v", done.Faults)
	}
	for _, f := range w.audit().Faults { // the file and its commit
		if !strings.Contains(f.Do, "let the night work: run 000002") {
			t.Errorf("%+v", f)
		}
	}
	before := len(w.made)
	seen := w.night(w.coordinator(w.store))
	if got := len(w.made) - before; seen.Run != "000002" || got != 1 {
		t.Errorf("run %s, %d made", seen.Run, got)
	}
	if got := w.audit(); len(got.Faults) > 0 {
		t.Errorf("%v", faults(got))
	}
}

// TestRepairCutOff: a repair that is cut off at any call, its reply lost or
// not, is finished by the next one.
func TestRepairCutOff(t *testing.T) {
	plant := func(w *world) {
		w.flip(store.BlobName(w.file(1, "retail").Blob), 3)
		w.delete(commitName(w.file(2, "retail").Key))
		w.cut(shareName("ines", title, "000001"))
		w.flip(recipeName(w.keyOf(pipeline.StepWeigh, "03-1.flac")), 50)
		w.put(openName(title, "000001"), "{}")
		w.cut(runName(title, "000001", "gains"))
		w.upload("x", recording{})
		w.flip(store.BlobName(pipeline.DigestOf([]byte("x"))), 0)
	}
	for _, fault := range []storetest.Fault{storetest.Fail, storetest.LoseReply} {
		for n := 1; ; n += 7 { // every seventh call: some dozens in all
			w := newWorld(t)
			w.sub.Specs = []pipeline.Spec{retail()}
			w.submitAndClose()
			plant(w)
			found := w.audit()
			s := storetest.Wrap(w.store, storetest.Nth(n, fault))
			err := Repair(context.Background(), s, &found)
			if err != nil && !errors.Is(err, storetest.ErrFault) {
				t.Fatalf("call %d: %v", n, err)
			}
			if s.Calls() < n {
				if n < 30 {
					t.Errorf("a repair of %d calls is too short for a test", n)
				}
				break
			}
			if done := w.repair(); done.Left() > 0 {
				t.Errorf("call %d: left %v", n, faults(done))
			}
			w.night(w.coordinator(w.store))
			if got := w.audit(); got.Left() > 0 {
				t.Errorf("call %d: after it: %v", n, faults(got))
			}
			if n > 2000 {
				t.Fatal("no end")
			}
		}
	}
}

package store_test

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/memory"
	"chapterhouse/pipeline/store/storetest"
)

type title struct {
	Seq    int    `json:"seq"`
	Wanted string `json:"wanted"`
}

// TestFailTheNthCall runs a small writer with each of its calls failing once
// in each way, and then again without faults: the end must be the same.
func TestFailTheNthCall(t *testing.T) {
	data := []byte("audio")
	blob := pipeline.DigestOf(data)
	night := func(s store.Store) error {
		ctx := t.Context()
		if err := s.Put(ctx, blob, bytes.NewReader(data)); err != nil {
			return err
		}
		if err := store.CreateJSON(ctx, s, "commits/k.json", map[string]string{"blob": string(blob)}); err != nil {
			return err
		}
		return store.Update(ctx, s, "titles/t/title.json", func(v *title) error {
			if v.Wanted != "run-1" {
				v.Seq, v.Wanted = v.Seq+1, "run-1"
			}
			return nil
		})
	}
	for _, fault := range []storetest.Fault{storetest.Fail, storetest.LoseReply, storetest.Conflict} {
		failed := 0
		for n := 1; ; n++ {
			inner := memory.New()
			s := storetest.Wrap(inner, storetest.Nth(n, fault))
			err := night(s)
			if err != nil {
				failed++
				if !errors.Is(err, storetest.ErrFault) && !errors.Is(err, store.ErrConflict) {
					t.Errorf("fault %d at call %d: %v", fault, n, err)
				}
				if err := night(s); err != nil {
					t.Errorf("fault %d at call %d, second try: %v", fault, n, err)
				}
			}
			var v title
			if err := store.ReadJSON(t.Context(), inner, "titles/t/title.json", &v); err != nil || v != (title{1, "run-1"}) {
				t.Errorf("fault %d at call %d: title %+v, %v", fault, n, v, err)
			}
			if _, err := store.CopyBlob(t.Context(), inner, blob, io.Discard); err != nil {
				t.Errorf("fault %d at call %d: %v", fault, n, err)
			}
			if err == nil && s.Calls() < n {
				break
			}
		}
		if failed == 0 {
			t.Errorf("fault %d never showed", fault)
		}
	}
}

// swapFault hits the first Swap only.
func swapFault(f storetest.Fault) func(storetest.Call) storetest.Fault {
	done := false
	return func(c storetest.Call) storetest.Fault {
		if c.Op != "Swap" || done {
			return storetest.None
		}
		done = true
		return f
	}
}

func TestCreate(t *testing.T) {
	for _, c := range []struct {
		name  string
		there string // "" nothing
		fault storetest.Fault
		want  error
	}{
		{"new", "", storetest.None, nil},
		{"the same is there", `"x"`, storetest.None, nil},
		{"other bytes are there", `"y"`, storetest.None, store.ErrConflict},
		{"reply lost", "", storetest.LoseReply, nil},
		{"failed", "", storetest.Fail, storetest.ErrFault},
		{"failed, the same is there", `"x"`, storetest.Fail, nil},
		{"failed, other bytes are there", `"y"`, storetest.Fail, store.ErrConflict},
	} {
		inner := memory.New()
		if c.there != "" {
			if _, err := inner.Swap(t.Context(), "a", store.Absent, []byte(c.there)); err != nil {
				t.Fatal(err)
			}
		}
		err := store.CreateJSON(t.Context(), storetest.Wrap(inner, swapFault(c.fault)), "a", "x")
		if !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
		if got, err := store.ReadObject(t.Context(), inner, "a"); c.there != "" && string(got) != c.there {
			t.Errorf("%s: %q, %v stands", c.name, got, err)
		}
	}
}

func TestUpdate(t *testing.T) {
	s := memory.New()
	refuse := errors.New("a newer run is wanted")
	if err := store.Update(t.Context(), s, "t", func(*title) error { return refuse }); !errors.Is(err, refuse) {
		t.Errorf("Update: %v, want the error of change", err)
	}
	if _, err := s.Stat(t.Context(), "t"); !errors.Is(err, store.ErrAbsent) {
		t.Errorf("a refused change wrote: %v", err)
	}
	set := func(v *title) error { *v = title{3, "r"}; return nil }
	if err := store.Update(t.Context(), s, "t", set); err != nil {
		t.Fatal(err)
	}
	counted := storetest.Wrap(s, func(c storetest.Call) storetest.Fault {
		if c.Op == "Swap" {
			t.Error("a change that changes nothing wrote")
		}
		return storetest.None
	})
	if err := store.Update(t.Context(), counted, "t", set); err != nil {
		t.Error(err)
	}
	lost := storetest.Wrap(s, swapFault(storetest.LoseReply))
	if err := store.Update(t.Context(), lost, "t", func(v *title) error { v.Seq++; return nil }); err != nil {
		t.Errorf("reply lost: %v", err)
	}
	var v title
	if err := store.ReadJSON(t.Context(), s, "t", &v); err != nil || v.Seq != 4 {
		t.Errorf("%+v, %v; want seq 4", v, err)
	}
	s.Break("t", []byte(`{"seq": 4, "wan`))
	if err := store.Update(t.Context(), s, "t", set); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("Update of half a text: %v, want ErrDamaged", err)
	}
}

// checked is an object that knows its own form.
type checked struct {
	Name string `json:"name"`
}

func (c checked) Check() error {
	if strings.Contains(c.Name, "/") {
		return errors.New("a name with a slash")
	}
	return nil
}

func TestReadChecks(t *testing.T) {
	s := memory.New()
	s.Break("a", []byte(`{"name":"b/c"}`))
	var v checked
	if err := store.ReadJSON(t.Context(), s, "a", &v); !errors.Is(err, store.ErrDamaged) || !strings.HasPrefix(err.Error(), "a: ") {
		t.Errorf("ReadJSON: %v, want ErrDamaged", err)
	}
	if err := store.Update(t.Context(), s, "a", func(v *checked) error { v.Name = "b"; return nil }); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("Update: %v, want ErrDamaged", err)
	}
}

func TestCopyBlob(t *testing.T) {
	s := memory.New()
	d := pipeline.DigestOf([]byte("audio"))
	for _, there := range []string{"audia", "audi", "audio.", ""} {
		s.Break(store.BlobName(d), []byte(there))
		if _, err := store.CopyBlob(t.Context(), s, d, io.Discard); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("%q: %v, want ErrDamaged", there, err)
		}
	}
	s.Break(store.BlobName(d), []byte("audio"))
	half := storetest.Wrap(s, storetest.Nth(1, storetest.LoseReply))
	if _, err := store.CopyBlob(t.Context(), half, d, io.Discard); !errors.Is(err, storetest.ErrFault) {
		t.Errorf("broken off: %v, want the reader's error", err)
	}
	if _, err := store.CopyBlob(t.Context(), s, "../x", io.Discard); pipeline.KindOf(err) != pipeline.Bug {
		t.Errorf("no digest: %v", err)
	}
}

func TestReadObject(t *testing.T) {
	s := memory.New()
	s.Break("a", make([]byte, store.MaxObject+1))
	if _, err := store.ReadObject(t.Context(), s, "a"); err == nil || !strings.Contains(err.Error(), "larger") {
		t.Errorf("more than MaxObject: %v", err)
	}
	if _, _, err := store.ReadVersion(t.Context(), s, "a"); err == nil {
		t.Error("ReadVersion read more than MaxObject")
	}
	data, v, err := store.ReadVersion(t.Context(), s, "b")
	if data != nil || v != store.Absent || err != nil {
		t.Errorf("ReadVersion of nothing: %q, %q, %v", data, v, err)
	}
}

func TestBlobDigest(t *testing.T) {
	d := pipeline.DigestOf(nil)
	for name, want := range map[string]bool{
		store.BlobName(d): true, "blobs/" + string(d): false, "blobs/00/" + string(d): false, string(d): false, "x" + store.BlobName(d): false, "blobs/aa/bb": false, "": false, store.BlobName(""): false, store.BlobName("e"): false,
	} {
		if _, ok := store.BlobDigest(name); ok != want {
			t.Errorf("BlobDigest(%q) = %v, want %v", name, ok, want)
		}
	}
}

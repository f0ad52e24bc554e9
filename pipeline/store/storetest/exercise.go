// Package storetest holds the contract of store.Store as a test suite, and a
// wrapper with scripted faults. It tests no speed.
package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// Exercise runs the contract over a kind of store. open gives an empty one and
// sees to its closing.
func Exercise(t *testing.T, open func(t *testing.T) store.Store) {
	for _, c := range []struct {
		name string
		run  func(*testing.T, store.Store)
	}{
		{"blob", blob},
		{"blob of no bytes", emptyBlob},
		{"damaged blob leaves nothing", damagedBlob},
		{"unreadable blob leaves nothing", unreadableBlob},
		{"blob put twice at once", blobRace},
		{"range", ranges},
		{"absent", absent},
		{"create, replace, conflict", swap},
		{"one creator wins", createRace},
		{"one replacer wins", replaceRace},
		{"every update counts", updateRace},
		{"reader sees whole objects", wholeObjects},
		{"list in order", list},
		{"list stops", listStops},
		{"delete", deletes},
		{"delete against replace", deleteRace},
		{"odd names", oddNames},
		{"long name", longName},
		{"too large", tooLarge},
		{"canceled", canceled},
		{"caller keeps its bytes", callersBytes},
	} {
		t.Run(c.name, func(t *testing.T) { c.run(t, open(t)) })
	}
}

func blob(t *testing.T, s store.Store) {
	data := random(3<<20 + 7)
	d := pipeline.DigestOf(data)
	from := bytes.NewReader(data)
	must(t, second(from.Seek(1000, io.SeekStart))) // Put reads from the start
	must(t, s.Put(t.Context(), d, from))
	must(t, s.Put(t.Context(), d, bytes.NewReader(data)))
	expectObject(t, s, store.BlobName(d), data)
	var copied bytes.Buffer
	n, err := store.CopyBlob(t.Context(), s, d, &copied)
	if err != nil || n != int64(len(data)) || !bytes.Equal(copied.Bytes(), data) {
		t.Errorf("CopyBlob: %d bytes, %v", n, err)
	}
	if _, err := s.Swap(t.Context(), store.BlobName(d), store.Absent, []byte("x")); pipeline.KindOf(err) != pipeline.Bug {
		t.Errorf("Swap of a blob's name: %v, want kind bug", err)
	}
	expectObject(t, s, store.BlobName(d), data)
}

func emptyBlob(t *testing.T, s store.Store) {
	d := pipeline.DigestOf(nil)
	must(t, s.Put(t.Context(), d, bytes.NewReader(nil)))
	expectObject(t, s, store.BlobName(d), nil)
}

func damagedBlob(t *testing.T, s store.Store) {
	data := random(100_000)
	d := pipeline.DigestOf(data)
	for name, other := range map[string][]byte{
		"short": data[:len(data)-1], "long": append(bytes.Clone(data), 0), "empty": nil, "flipped": flipped(data),
	} {
		if err := s.Put(t.Context(), d, bytes.NewReader(other)); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("%s: %v, want ErrDamaged", name, err)
		}
		expectAbsent(t, s, store.BlobName(d))
	}
	expectNames(t, s, "")
	must(t, s.Put(t.Context(), d, bytes.NewReader(data)))
	expectObject(t, s, store.BlobName(d), data)
}

// breaking fails after half its bytes.
type breaking struct{ *bytes.Reader }

var errBroken = errors.New("cable pulled")

func (b breaking) Read(p []byte) (int, error) {
	if b.Len() < int(b.Size())/2 {
		return 0, errBroken
	}
	return b.Reader.Read(p[:min(len(p), int(b.Size())/8)])
}

// WriteTo keeps io.Copy from reading past Read.
func (b breaking) WriteTo(w io.Writer) (int64, error) {
	return io.Copy(w, struct{ io.Reader }{b})
}

func unreadableBlob(t *testing.T, s store.Store) {
	data := random(100_000)
	d := pipeline.DigestOf(data)
	if err := s.Put(t.Context(), d, breaking{bytes.NewReader(data)}); !errors.Is(err, errBroken) {
		t.Errorf("Put: %v, want the reader's error", err)
	}
	expectAbsent(t, s, store.BlobName(d))
}

func blobRace(t *testing.T, s store.Store) {
	data := random(200_000)
	d := pipeline.DigestOf(data)
	together(8, func(int) {
		if err := s.Put(t.Context(), d, bytes.NewReader(data)); err != nil {
			t.Errorf("Put: %v", err)
		}
	})
	expectObject(t, s, store.BlobName(d), data)
}

func ranges(t *testing.T, s store.Store) {
	const text = "0123456789"
	create(t, s, "titles/t/x.json", text)
	for _, c := range []struct {
		off, n int64
		want   string
	}{
		{0, -1, text}, {0, 10, text}, {0, 0, ""}, {3, 4, "3456"}, {3, -1, "3456789"}, {9, 1, "9"},
		{8, 100, "89"}, {10, -1, ""}, {10, 5, ""}, {11, 1, ""}, {1 << 40, -1, ""}, {0, 1 << 40, text}, {2, 1<<63 - 1, "23456789"},
	} {
		r, err := s.Get(t.Context(), "titles/t/x.json", c.off, c.n)
		if err != nil {
			t.Errorf("Get(%d, %d): %v", c.off, c.n, err)
			continue
		}
		got, err := io.ReadAll(r)
		if err != nil || string(got) != c.want || r.Close() != nil {
			t.Errorf("Get(%d, %d) = %q, %v; want %q", c.off, c.n, got, err, c.want)
		}
	}
	if _, err := s.Get(t.Context(), "titles/t/x.json", -1, 5); pipeline.KindOf(err) != pipeline.Bug {
		t.Errorf("Get from offset -1: %v, want kind bug", err)
	}
}

func absent(t *testing.T, s store.Store) {
	create(t, s, "titles/t/title.json", "1")
	for _, name := range []string{"a", "titles", "titles/t", "titles/t/title.json.x", "titles/t/title.json/x", store.BlobName(pipeline.DigestOf(nil))} {
		expectAbsent(t, s, name)
		if _, err := s.Get(t.Context(), name, 5, 0); !errors.Is(err, store.ErrAbsent) {
			t.Errorf("Get of nothing at %s: %v, want ErrAbsent", name, err)
		}
		if err := s.Delete(t.Context(), name); err != nil {
			t.Errorf("Delete %s: %v", name, err)
		}
	}
	if _, err := store.CopyBlob(t.Context(), s, pipeline.DigestOf(nil), io.Discard); !errors.Is(err, store.ErrAbsent) {
		t.Errorf("CopyBlob: %v, want ErrAbsent", err)
	}
	expectNames(t, s, "", "titles/t/title.json")
}

func swap(t *testing.T, s store.Store) {
	const name = "narrators/ines/narrator.json"
	step := func(old store.Version, data string) (store.Version, error) {
		return s.Swap(t.Context(), name, old, []byte(data))
	}
	conflict := func(old store.Version, data string) {
		t.Helper()
		if _, err := step(old, data); !errors.Is(err, store.ErrConflict) {
			t.Errorf("Swap to %q: %v, want ErrConflict", data, err)
		}
	}
	conflict("some version", "never")
	expectAbsent(t, s, name)
	v1, err := step(store.Absent, "one")
	must(t, err)
	conflict(store.Absent, "again")
	conflict(store.Absent, "one")
	expectObject(t, s, name, []byte("one"))
	v2, err := step(v1, "two, and longer")
	must(t, err)
	if v1 == v2 || v1 == store.Absent || v2 == store.Absent {
		t.Errorf("versions %q and %q", v1, v2)
	}
	conflict(v1, "three")
	expectObject(t, s, name, []byte("two, and longer"))
	info, err := s.Stat(t.Context(), name)
	if err != nil || info.Version != v2 {
		t.Errorf("Stat: version %q, %v; Swap gave %q", info.Version, err, v2)
	}
	v3, err := step(v2, "")
	must(t, err)
	expectObject(t, s, name, nil)
	must(t, s.Delete(t.Context(), name))
	conflict(v3, "four")
	_, err = step(store.Absent, "five")
	must(t, err)
	expectObject(t, s, name, []byte("five"))
}

func list(t *testing.T, s store.Store) {
	expectNames(t, s, "")
	expectNames(t, s, "titles/")
	names := []string{"a", "a-b", "a.b", "ab", "b/c", "b/c-d/e", "b/c.d", "b/cd", "b0", "b_", "ba/x", "titles/t/runs/1/plan.json", "titles/t/title.json"}
	for i, j := range []int{7, 2, 12, 0, 9, 4, 11, 1, 10, 3, 8, 6, 5} { // any order
		create(t, s, names[j], fmt.Sprint(i))
	}
	d := pipeline.DigestOf([]byte("x"))
	must(t, s.Put(t.Context(), d, strings.NewReader("x")))
	all := slices.Sorted(slices.Values(append(names, store.BlobName(d))))
	expectNames(t, s, "", all...)
	for _, prefix := range []string{"a", "b", "b/", "b/c", "b/c-", "b/c-d/", "blobs/", store.BlobName(d), "titles/t/runs/", "titles/t/title.json", "titles/u/", "z", "b/c/"} {
		var want []string
		for _, name := range all {
			if strings.HasPrefix(name, prefix) {
				want = append(want, name)
			}
		}
		expectNames(t, s, prefix, want...)
	}
	must(t, s.List(t.Context(), "", func(i store.Info) error {
		stat, err := s.Stat(t.Context(), i.Name)
		if err != nil || stat != i {
			t.Errorf("List says %+v, Stat says %+v, %v", i, stat, err)
		}
		return nil
	}))
}

func listStops(t *testing.T, s store.Store) {
	for i := range 5 {
		create(t, s, fmt.Sprintf("attempts/k/%d.json", i), "x")
	}
	enough, seen := errors.New("enough"), 0
	err := s.List(t.Context(), "attempts/", func(store.Info) error {
		if seen++; seen == 3 {
			return enough
		}
		return nil
	})
	if !errors.Is(err, enough) || seen != 3 {
		t.Errorf("List ended with %v after %d objects, want %v after 3", err, seen, enough)
	}
	// What each does to the store must not disturb the listing.
	must(t, s.List(t.Context(), "attempts/", func(i store.Info) error { return s.Delete(t.Context(), i.Name) }))
	expectNames(t, s, "")
}

func deletes(t *testing.T, s store.Store) {
	create(t, s, "commits/a.json", "x")
	create(t, s, "commits/b.json", "y")
	data := random(1000)
	d := pipeline.DigestOf(data)
	must(t, s.Put(t.Context(), d, bytes.NewReader(data)))
	for _, name := range []string{"commits/a.json", store.BlobName(d)} {
		must(t, s.Delete(t.Context(), name))
		expectAbsent(t, s, name)
		must(t, s.Delete(t.Context(), name))
	}
	expectNames(t, s, "", "commits/b.json")
	must(t, s.Put(t.Context(), d, bytes.NewReader(data)))
	expectObject(t, s, store.BlobName(d), data)
}

func oddNames(t *testing.T, s store.Store) {
	create(t, s, "a/b.json", "x")
	for _, name := range []string{
		"", "/", "/a", "a/", "a//b.json", ".", "..", "../x", "a/../a/b.json", "a/./b.json", "./a/b.json", "a/..",
		".tmp/x", ".lock", "a/.b", "A/b.json", "a/b.jsoN", "a b", "a\\b", "a\x00b", "a\nb", "ä", "a:b", "a*", "a%2fb", "~", "a\u202eb",
		strings.Repeat("x", 201), strings.Repeat("x/", 500) + "x",
	} {
		_, getErr := s.Get(t.Context(), name, 0, -1)
		_, statErr := s.Stat(t.Context(), name)
		_, swapErr := s.Swap(t.Context(), name, store.Absent, []byte("y"))
		for op, err := range map[string]error{"Get": getErr, "Stat": statErr, "Swap": swapErr, "Delete": s.Delete(t.Context(), name)} {
			if pipeline.KindOf(err) != pipeline.Bug {
				t.Errorf("%s of %.40q: %v, want kind bug", op, name, err)
			}
		}
	}
	for _, prefix := range []string{"/", "..", "../", "a/../", ".tmp", "A", "a//", "a b"} {
		if err := s.List(t.Context(), prefix, func(store.Info) error { return nil }); pipeline.KindOf(err) != pipeline.Bug {
			t.Errorf("List of %q: %v, want kind bug", prefix, err)
		}
	}
	for _, d := range []pipeline.Digest{"", "ab", "../../../../etc/passwd", pipeline.Digest(strings.Repeat("A", 64)), pipeline.Digest(strings.Repeat("a", 65))} {
		if err := s.Put(t.Context(), d, bytes.NewReader(nil)); pipeline.KindOf(err) != pipeline.Bug {
			t.Errorf("Put of digest %q: %v, want kind bug", d, err)
		}
	}
	expectNames(t, s, "", "a/b.json")
}

func longName(t *testing.T, s store.Store) {
	name := strings.Repeat(strings.Repeat("n", 200)+"/", 4) + "x_-.9"
	create(t, s, name, "x")
	expectNames(t, s, "", name)
	expectObject(t, s, name, []byte("x"))
}

func tooLarge(t *testing.T, s store.Store) {
	if _, err := s.Swap(t.Context(), "a", store.Absent, make([]byte, store.MaxObject+1)); pipeline.KindOf(err) != pipeline.Bug {
		t.Errorf("Swap of more than MaxObject: %v, want kind bug", err)
	}
	expectAbsent(t, s, "a")
	data := random(store.MaxObject)
	create(t, s, "a", string(data))
	expectObject(t, s, "a", data)
}

func canceled(t *testing.T, s store.Store) {
	version := create(t, s, "a", "x")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	d := pipeline.DigestOf([]byte("y"))
	_, getErr := s.Get(ctx, "a", 0, -1)
	_, statErr := s.Stat(ctx, "a")
	_, swapErr := s.Swap(ctx, "a", version, []byte("y"))
	for op, err := range map[string]error{
		"Get": getErr, "Stat": statErr, "Swap": swapErr, "Put": s.Put(ctx, d, strings.NewReader("y")),
		"List": s.List(ctx, "", func(store.Info) error { return nil }), "Delete": s.Delete(ctx, "a"),
	} {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v, want context.Canceled", op, err)
		}
	}
	expectObject(t, s, "a", []byte("x"))
	expectAbsent(t, s, store.BlobName(d))

	// In the middle of a Put as well.
	ctx, cancel = context.WithCancel(t.Context())
	defer cancel()
	data := random(4 << 20)
	d = pipeline.DigestOf(data)
	if err := s.Put(ctx, d, canceling{bytes.NewReader(data), cancel}); err == nil {
		expectObject(t, s, store.BlobName(d), data) // all was read already
	} else if errors.Is(err, context.Canceled) {
		expectAbsent(t, s, store.BlobName(d))
	} else {
		t.Errorf("Put: %v, want context.Canceled", err)
	}
}

// canceling calls cancel in the middle.
type canceling struct {
	*bytes.Reader
	cancel func()
}

func (c canceling) Read(p []byte) (int, error) {
	if c.Len() < int(c.Size())/2 {
		c.cancel()
	}
	return c.Reader.Read(p)
}

// WriteTo keeps io.Copy from reading past Read.
func (c canceling) WriteTo(w io.Writer) (int64, error) {
	return io.Copy(w, struct{ io.Reader }{c})
}

func callersBytes(t *testing.T, s store.Store) {
	data := []byte("mine")
	_, err := s.Swap(t.Context(), "a", store.Absent, data)
	must(t, err)
	copy(data, "gone")
	expectObject(t, s, "a", []byte("mine"))
}

package coordinator

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"maps"
	"runtime"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/memory"
	"chapterhouse/pipeline/store/storetest"
)

// nightOver is a store after a night, and its objects.
func nightOver(t testing.TB) map[string]string {
	w := smallWorld(t)
	w.submitAndClose()
	return w.objects("")
}

// with is a store of some objects.
func with(objects map[string]string) *memory.Store {
	s := memory.New()
	for name, data := range objects {
		s.Break(name, []byte(data))
	}
	return s
}

// TestAuditFlips: whatever bits of whatever blobs are flipped, the audit names
// just those blobs.
func TestAuditFlips(t *testing.T) {
	objects := nightOver(t)
	var blobs []string
	for name := range objects {
		if strings.HasPrefix(name, store.Blobs) {
			blobs = append(blobs, name)
		}
	}
	slices.Sort(blobs)
	rapid.Check(t, func(t *rapid.T) {
		s := with(objects)
		hurt := map[string]bool{}
		for range rapid.IntRange(1, 5).Draw(t, "flips") {
			name := rapid.SampledFrom(blobs).Draw(t, "blob")
			if hurt[name] {
				continue
			}
			data := []byte(objects[name])
			data[rapid.IntRange(0, len(data)-1).Draw(t, "byte")] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
			s.Break(name, data)
			hurt[name] = true
		}
		got, err := Audit(context.Background(), s, AuditOptions{ReadData: 1})
		if err != nil {
			t.Fatal(err)
		}
		var named []string
		for _, f := range got.Faults {
			named = append(named, f.Object)
		}
		if want := slices.Sorted(maps.Keys(hurt)); !slices.Equal(named, want) {
			t.Fatalf("%v, want %v", named, want)
		}
	})
}

// TestAuditHostile: no object that any bytes were written to, and no repair of
// such a store, makes the audit panic or give up; recipes are always found.
func TestAuditHostile(t *testing.T) {
	objects := nightOver(t)
	names := slices.Sorted(maps.Keys(objects))
	rapid.Check(t, func(t *rapid.T) {
		s := with(objects)
		for range rapid.IntRange(1, 4).Draw(t, "objects") {
			name := rapid.SampledFrom(names).Draw(t, "object")
			data := []byte(objects[name])
			at := rapid.IntRange(0, len(data)-1).Draw(t, "byte")
			switch rapid.IntRange(0, 3).Draw(t, "how") {
			case 0:
				data[at] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
			case 1:
				data = data[:at]
			case 2:
				data = rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(t, "bytes")
			case 3: // what stands at another place in the object
				from := rapid.IntRange(0, len(data)-1).Draw(t, "from")
				data = append(slices.Clone(data[:at]), data[from:]...)
			}
			s.Break(name, data)
			if p := placeOf(name); p.kind == recipePlace && string(data) != objects[name] {
				got, err := Audit(context.Background(), s, AuditOptions{})
				if err != nil || !slices.ContainsFunc(got.Faults, func(f Fault) bool { return f.Object == name }) {
					t.Fatalf("%s is not named: %v, %v", name, faults(got), err)
				}
			}
		}
		got, err := Audit(context.Background(), s, AuditOptions{ReadData: 1})
		if err != nil {
			t.Fatal(err)
		}
		if err := Repair(context.Background(), s, &got); err != nil {
			t.Fatal(err)
		}
		if _, err := Audit(context.Background(), s, AuditOptions{ReadData: 1}); err != nil {
			t.Fatal(err)
		}
	})
}

// TestAuditShare: a share of the blobs is about that many, the same for the
// same seed, and in time all of them.
func TestAuditShare(t *testing.T) {
	s := memory.New()
	const n = 2000
	for i := range n {
		data := fmt.Appendf(nil, "%d", i)
		if err := s.Put(t.Context(), pipeline.DigestOf(data), bytes.NewReader(data)); err != nil {
			t.Fatal(err)
		}
	}
	read := func(share float64, seed uint64) Audited {
		got, err := Audit(t.Context(), s, AuditOptions{ReadData: share, Seed: seed})
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	for _, share := range []float64{0.05, 0.3} {
		a, b := read(share, 1), read(share, 1)
		// Five standard deviations of a binomial distribution.
		if dev := float64(a.Read) - share*n; dev*dev > 25*n*share*(1-share) {
			t.Errorf("%d of %d read, for a share of %v", a.Read, n, share)
		}
		if a.Read != b.Read || a.ReadSize != b.ReadSize {
			t.Errorf("%+v, then %+v", a, b)
		}
	}
	a := &audit{o: AuditOptions{ReadData: 0.05}}
	left := map[sum]bool{}
	for i := range n {
		left[sumOf(pipeline.DigestOf(fmt.Appendf(nil, "%d", i)))] = true
	}
	for a.o.Seed = 0; len(left) > 0 && a.o.Seed < 1000; a.o.Seed++ {
		for s := range left {
			if a.chosen(s) {
				delete(left, s)
			}
		}
	}
	if len(left) > 0 {
		t.Errorf("%d blobs are never chosen", len(left))
	}
}

// TestAuditUnreadable: an object that can't be read is named and the rest is
// audited; a store that can't be read is an error.
func TestAuditUnreadable(t *testing.T) {
	objects := nightOver(t)
	broken := ""
	for name := range objects {
		if strings.HasPrefix(name, store.Blobs) {
			broken = name
		}
	}
	s := storetest.Wrap(with(objects), func(c storetest.Call) storetest.Fault {
		if c.Op == "Get" && c.Name == broken {
			return storetest.Fail
		}
		return storetest.None
	})
	got, err := Audit(t.Context(), s, AuditOptions{ReadData: 1})
	if want := []string{"damage unreadable " + broken}; err != nil || !slices.Equal(faults(got), want) {
		t.Errorf("%v, %v, want %v", faults(got), err, want)
	}
	before := len(objects)
	if err := Repair(t.Context(), s, &got); err != nil || got.Left() != 1 {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := s.Stat(t.Context(), broken); err != nil || len(objects) != before {
		t.Errorf("what could not be read was touched: %v", err)
	}
	many := memory.New()
	for i := range 2 * maxUnreadable {
		data := fmt.Appendf(nil, "%d", i)
		many.Break(recipeName(pipeline.DigestOf(data)), data)
	}
	for _, op := range []string{"List", "Get"} {
		down := storetest.Wrap(many, func(c storetest.Call) storetest.Fault {
			if c.Op == op {
				return storetest.Fail
			}
			return storetest.None
		})
		if _, err := Audit(t.Context(), down, AuditOptions{}); err == nil {
			t.Errorf("no error while every %s fails", op)
		}
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if _, err := Audit(ctx, many, AuditOptions{}); err == nil {
		t.Error("no error after it was stopped")
	}
}

// TestAuditBesideNight: while nights run nothing is found that is not so. Nights
// go on until enough audits were made beside them, on a machine of any speed.
func TestAuditBesideNight(t *testing.T) {
	w := newWorld(t)
	enough, over := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(over)
		for i := 0; ; i++ {
			w.sub.Narrators["ines"] = narrator("ines", 80+float64(i%40)/4)
			w.submitAndClose()
			select {
			case <-enough:
				return
			default:
			}
		}
	}()
	for n := range 6 {
		got, err := Audit(t.Context(), w.store, AuditOptions{ReadData: 1})
		if err != nil || got.Left() > 0 {
			t.Errorf("audit %d: %v, %v", n, faults(got), err)
		}
	}
	close(enough)
	<-over
}

// peak is a store that notes how much memory is in use when a prefix is listed.
type peak struct {
	store.Store
	prefix string
	used   uint64
}

func (p *peak) List(ctx context.Context, prefix string, each func(store.Info) error) error {
	if prefix == p.prefix {
		p.used = inUse()
	}
	return p.Store.List(ctx, prefix, each)
}

func inUse() uint64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// names lists blobs and tries that take no room.
type names struct {
	memory.Store
	n int
}

func (s *names) List(ctx context.Context, prefix string, each func(store.Info) error) error {
	for i := range s.n {
		d := pipeline.Digest(fmt.Sprintf("%064x", i<<24))
		name := store.BlobName(d)
		if i%2 == 1 {
			name = "attempts/" + string(d) + "/a.json"
		}
		if strings.HasPrefix(name, prefix) {
			if err := each(store.Info{Name: name}); err != nil {
				return err
			}
		}
	}
	return nil
}

func (s *names) Get(context.Context, string, int64, int64) (io.ReadCloser, error) {
	return nil, store.ErrAbsent
}

func (s *names) Stat(_ context.Context, name string) (store.Info, error) {
	return store.Info{Name: name}, nil
}

// TestAuditMemory: of 100,000 objects an audit keeps under 150 bytes each,
// which is their digests.
func TestAuditMemory(t *testing.T) {
	const n = 100_000
	s := &peak{Store: &names{n: n}, prefix: "narrators/"}
	before := inUse()
	got, err := Audit(t.Context(), s, AuditOptions{})
	if err != nil || got.Objects != n || len(got.Faults) > 0 {
		t.Fatalf("%d objects, %d faults, %v", got.Objects, len(got.Faults), err)
	}
	each := float64(int64(s.used)-int64(before)) / n
	t.Logf("%.0f bytes an object", each)
	if each > 150 {
		t.Errorf("%.0f bytes an object", each)
	}
}

// BenchmarkAudit audits a store of 100,000 results with a recipe, a commit
// and a blob each.
func BenchmarkAudit(b *testing.B) {
	s := memory.New()
	for i := range 100_000 / 3 {
		r := fmt.Sprintf(`{"step":"check","rev":%d}`, i)
		key := pipeline.DigestOf([]byte(r))
		data := []byte(key)
		s.Break(recipeName(key), []byte(r))
		s.Break(store.BlobName(pipeline.DigestOf(data)), data)
		s.Break(commitName(key), fmt.Appendf(nil, `{"key":%q,"step":"check","record":{},"files":[{"role":"series","blob":%q,"bytes":%d}]}`, key, pipeline.DigestOf(data), len(data)))
	}
	b.ReportAllocs()
	for b.Loop() {
		got, err := Audit(b.Context(), s, AuditOptions{ReadData: 1})
		if err != nil || len(got.Faults) > 0 {
			b.Fatal(len(got.Faults), err)
		}
		b.ReportMetric(float64(got.Objects), "objects")
	}
}

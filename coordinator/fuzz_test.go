package coordinator

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"runtime"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap"
	"pgregory.net/rapid"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/queue"
	queuememory "chapterhouse/pipeline/queue/memory"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/memory"
)

// stored is every object of a title that was brought to its close, and the
// names of those that are to be other than a house would write them: one of
// each kind, and a commit of each step.
type stored struct {
	engine  string
	objects map[string]string
	places  []string
	commits map[pipeline.Step]string // names
}

func finished(t testing.TB) stored {
	w := newWorld(t)
	w.submitAndClose()
	st := stored{engine: w.sub.Engine.ID(), objects: w.objects(""), commits: map[pipeline.Step]string{}}
	for _, what := range []string{"submit", "plan", "fits", "gains", "close"} {
		st.places = append(st.places, runName(title, "000001", what))
	}
	st.places = append(st.places, titleName(title), narratorName("ines"), "narrators/ines/titles/"+title+"/000001.json")
	for _, r := range w.made {
		st.commits[r.Step] = commitName(r.Key())
	}
	for _, step := range slices.Sorted(maps.Keys(st.commits)) {
		st.places = append(st.places, st.commits[step])
	}
	return st
}

// disturb puts text in the place of one object of a finished title, and of one
// whose phases are all to be walked again, and reads all there is to read:
// whoever reads the store gets an error or goes on, and neither panics nor takes
// more memory than so many bytes could ask for.
func (st stored) disturb(t *testing.T, place string, text []byte) {
	for _, closed := range []bool{true, false} {
		s := memory.New()
		for name, data := range st.objects {
			s.Break(name, []byte(data))
		}
		s.Break(place, text)
		if !closed {
			if place != titleName(title) {
				s.Break(titleName(title), []byte(`{"rev":1,"seq":1,"wanted":"000001"}`))
			}
			if err := s.Delete(t.Context(), runName(title, "000001", "close")); err != nil {
				t.Fatal(err)
			}
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		st.readAll(t, s)
		runtime.ReadMemStats(&after)
		if took := after.TotalAlloc - before.TotalAlloc; took > 128<<20 {
			t.Errorf("%d bytes at %s took %d MiB of memory", len(text), place, took>>20)
		}
	}
}

// FuzzStored puts any bytes in an object's place.
func FuzzStored(f *testing.F) {
	st := finished(f)
	for i, name := range st.places {
		f.Add(byte(i), []byte(st.objects[name]))
		f.Add(byte(i), []byte(strings.NewReplacer("0", "-9", "44100", "1", "null", "{}", "[", "[null,").Replace(st.objects[name])))
		f.Add(byte(i), []byte(`{"chapters":[{}],"specs":[{}],"sessions":{"":{}},"narrators":{"":{"setups":{"":{"chain":{}}}}}}`))
	}
	f.Fuzz(func(t *testing.T, at byte, text []byte) {
		if len(text) < 64<<10 {
			st.disturb(t, st.places[int(at)%len(st.places)], text)
		}
	})
}

// TestStoredValues puts something else in one place of one object: what is JSON
// of its form, or nearly so, gets further than any bytes.
func TestStoredValues(t *testing.T) {
	st := finished(t)
	rapid.Check(t, func(rt *rapid.T) {
		place := rapid.SampledFrom(st.places).Draw(rt, "object")
		var tree any
		if err := json.Unmarshal([]byte(st.objects[place]), &tree); err != nil {
			rt.Fatal(err)
		}
		text, err := json.Marshal(other(rt, tree))
		if err != nil {
			rt.Fatal(err)
		}
		st.disturb(t, place, text)
	})
}

// other is a tree that is not the same in one place: another value, or one
// that is gone, there twice or under another key.
func other(rt *rapid.T, tree any) any {
	values := []any{
		nil, true, 0.0, -1.0, 0.5, 1e15, 1e300, -1e300, "", "..", "a/b", "x\x1b[2J\n", "-inf", strings.Repeat("x", 5000),
		[]any{}, map[string]any{}, []any{nil}, map[string]any{"": nil},
	}
	object, _ := tree.(map[string]any)
	list, _ := tree.([]any)
	if len(object)+len(list) == 0 || rapid.IntRange(0, 5).Draw(rt, "here") == 0 {
		return rapid.SampledFrom(values).Draw(rt, "value")
	}
	what := rapid.SampledFrom([]string{"within", "within", "within", "gone", "moved"}).Draw(rt, "what")
	if object != nil {
		key := rapid.SampledFrom(slices.Sorted(maps.Keys(object))).Draw(rt, "key")
		switch what {
		case "within":
			object[key] = other(rt, object[key])
		case "moved":
			object[rapid.SampledFrom([]string{"", "a", "..", "a/b"}).Draw(rt, "to")] = object[key]
			fallthrough
		case "gone":
			delete(object, key)
		}
		return object
	}
	i := rapid.IntRange(0, len(list)-1).Draw(rt, "item")
	switch what {
	case "within":
		list[i] = other(rt, list[i])
	case "moved":
		return slices.Insert(list, 0, list[i])
	case "gone":
		return slices.Delete(list, i, i+1)
	}
	return list
}

// readAll goes through a store by all that reads one. What is rung for is
// answered with the finished title's commit of that step.
func (st stored) readAll(t *testing.T, s *memory.Store) {
	ctx := t.Context()
	rings := queuememory.New(queuememory.Options{})
	co := &Coordinator{Store: s, Queue: rings, Slots: 2, Checks: check.Builtin(), Log: zap.NewNop()}
	if _, err := Look(ctx, s, title); err != nil {
		told(t, err)
	}
	for range 12 {
		seen, err := co.Reconcile(ctx, title)
		if err != nil {
			told(t, err)
			break
		}
		if seen.Closed {
			if err := report.Text(io.Discard, report.Report{Outcome: seen.Outcome}); err != nil {
				t.Error(err)
			}
			break
		}
		for lease, err := rings.Lease(ctx, st.engine, 0); err == nil; lease, err = rings.Lease(ctx, st.engine, 0) {
			for _, key := range append(lease.Ring().With, lease.Ring().Key) {
				var r pipeline.Recipe
				var c pipeline.Commit
				if err := store.ReadJSON(ctx, s, recipeName(key), &r); err != nil {
					t.Errorf("rung for %s, which is not written down: %v", key.Short(), err)
				} else if err := store.ReadJSON(ctx, s, st.commits[r.Step], &c); err == nil {
					c.Key = key
					_ = store.CreateJSON(ctx, s, commitName(key), c)
				}
			}
			if err := lease.Done(ctx); err != nil {
				t.Error(err)
			}
		}
	}
	if _, _, err := Standing(ctx, s, title); err != nil && !errors.Is(err, ErrNoRun) {
		told(t, err)
	}
	if _, err := Audit(ctx, s, AuditOptions{}); err != nil {
		told(t, err)
	}
	if _, err := Open(ctx, s); err != nil {
		told(t, err)
	}
	if _, err := Forgive(ctx, s, title); err != nil {
		told(t, err)
	}
	if _, err := Submit(ctx, s, pipeline.Submission{Title: pipeline.Title{Slug: title}}, Order{Class: queue.Rush}); err != nil {
		told(t, err)
	}
}

// told wants an error that can be shown to a person.
func told(t *testing.T, err error) {
	if line := err.Error(); pipeline.Visible(line) != line {
		t.Errorf("said as %s", fmt.Sprintf("%.300q", line))
	}
}

package worker

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	queuememory "chapterhouse/pipeline/queue/memory"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/folder"
	"chapterhouse/pipeline/store/memory"
	"chapterhouse/pipeline/store/storetest"
)

// TestInputs is what may be wrong with what a job is laid out from.
func TestInputs(t *testing.T) {
	memoryStore := func(*testing.T) store.Store { return memory.New() }
	folderStore := func(t *testing.T) store.Store {
		s, err := folder.Open(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { s.Close() })
		return s
	}
	damage := func(t *testing.T, s store.Store, name string, data []byte) {
		switch s := s.(type) {
		case *memory.Store:
			s.Break(name, data)
		case *folder.Store:
			path, err := s.Path(name)
			if err == nil {
				err = os.Remove(path)
			}
			if err == nil {
				err = os.WriteFile(path, data, 0o644)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	for name, open := range map[string]func(*testing.T) store.Store{"copied": memoryStore, "linked": folderStore} {
		for _, c := range []struct {
			what   string
			do     func(*testing.T, *desk)
			kind   pipeline.Kind
			strike int
			text   string
		}{
			{"blob damaged", func(t *testing.T, d *desk) { damage(t, d.Store, store.BlobName(d.source), []byte("what was recordeD")) }, pipeline.Missing, 1, "damaged"},
			{"blob absent", func(t *testing.T, d *desk) { check(d.Store.Delete(t.Context(), store.BlobName(d.source))) }, pipeline.Missing, 1, "not in the store"},
			{"recipe damaged", func(t *testing.T, d *desk) {
				damage(t, d.Store, "recipes/"+string(d.keys[1])+".json", []byte(`{"step":"profile"}`))
			}, pipeline.Missing, 2, "not those of its name"},
			{"recipe absent", func(t *testing.T, d *desk) {
				check(d.Store.Delete(t.Context(), "recipes/"+string(d.keys[2])+".json"))
			}, pipeline.Missing, 3, "not in the store"},
			{"recipe of no step", func(t *testing.T, d *desk) { d.keys[0] = d.odd(t, pipeline.NewRecipe(pipeline.StepWeigh)) }, pipeline.Bug, 1, "none of a step"},
			{"recipe of a pure step", func(t *testing.T, d *desk) {
				r := pipeline.NewRecipe(pipeline.StepFit)
				r.Fit = &pipeline.FitRecipe{}
				d.keys[0] = d.odd(t, r)
			}, pipeline.Bug, 1, "none of a step"},
			{"recipe no JSON", func(t *testing.T, d *desk) { d.keys[0] = d.text(t, `{"step":`) }, pipeline.Bug, 1, "recipe"},
			{"recipe of another build", func(t *testing.T, d *desk) {
				d.keys[0] = d.text(t, `{"arch":"amd64","intake":{"ear":"left"},"rev":1,"step":"intake"}`)
			}, pipeline.Bug, 1, "another build"},
			{"source no digest", func(t *testing.T, d *desk) {
				r := pipeline.NewRecipe(pipeline.StepIntake)
				r.Intake = &pipeline.IntakeRecipe{Source: "../../x"}
				d.keys[0] = d.odd(t, r)
			}, pipeline.Bug, 1, "no digest"},
		} {
			t.Run(name+"/"+c.what, func(t *testing.T) {
				d := newDesk(t, open(t), "well")
				c.do(t, d)
				l := &lease{ring: d.ring(), tries: 1}
				d.answer(t.Context(), l)
				all, starts := d.strikes(t)
				if f := all[c.strike-1]; len(f) != 1 || f[0].Kind != c.kind || !strings.Contains(f[0].Text, c.text) {
					t.Errorf("strikes %+v, want one of recipe %d: %s with %q", all, c.strike, c.kind, c.text)
				}
				if starts != 0 || d.state(t) != "---" || l.last() != "retry 1s" {
					t.Errorf("%d starts, committed %s, said %q", starts, d.state(t), l.last())
				}
				d.emptyScratch(t)
			})
		}
	}
	t.Run("link", func(t *testing.T) {
		s := folderStore(t)
		d := newDesk(t, s, "well")
		d.Scratch = s.(store.Local).Scratch()
		p := &pulse{}
		path := filepath.Join(d.Scratch, "in")
		n, err := d.lay(t.Context(), p, d.source, path)
		if err != nil || n != 17 {
			t.Fatalf("%d bytes, %v", n, err)
		}
		from, _ := s.(store.Local).Path(store.BlobName(d.source))
		a, _ := os.Stat(from)
		b, err := os.Stat(path)
		if err != nil || !os.SameFile(a, b) {
			t.Errorf("not the store's own file: %v", err)
		}
	})
}

// odd writes a recipe down that no coordinator would.
func (d *desk) odd(t *testing.T, r pipeline.Recipe) pipeline.Digest {
	t.Helper()
	return d.text(t, string(r.Text()))
}

// text writes a recipe down under the right name, whatever it says.
func (d *desk) text(t *testing.T, text string) pipeline.Digest {
	t.Helper()
	key := pipeline.DigestOf([]byte(text))
	if err := store.Create(t.Context(), d.Store, "recipes/"+string(key)+".json", []byte(text)); err != nil {
		t.Fatal(err)
	}
	return key
}

// TestStands: what stands already is neither made again nor replaced.
func TestStands(t *testing.T) {
	d := newDesk(t, memory.New(), "well")
	first := pipeline.Commit{Key: d.keys[1], Step: pipeline.StepProfile, Record: json.RawMessage(`{"made":"earlier"}`)}
	check(store.CreateJSON(t.Context(), d.Store, commitName(d.keys[1]), first))
	check(store.CreateJSON(t.Context(), d.Store, "quarantine/"+string(d.keys[2])+".json", map[string]string{"reason": "three tries"}))
	recipes := d.recipes(t)
	if len(recipes) != 1 || recipes[0].Key() != d.keys[0] {
		t.Fatalf("%d recipes to do, want the first alone", len(recipes))
	}
	// Another worker is faster while our child works: its commit stands.
	racing := storetest.Wrap(d.Store, func(c storetest.Call) storetest.Fault {
		if c.Op == "Swap" && c.Name == commitName(d.keys[0]) {
			theirs := pipeline.Commit{Key: d.keys[0], Step: pipeline.StepProfile, Record: json.RawMessage(`{"made":"faster"}`)}
			check(store.CreateJSON(context.Background(), d.Store.(*storetest.Faulty).Store, c.Name, theirs))
		}
		return storetest.None
	})
	d.Store = racing
	l := &lease{ring: d.ring(), tries: 1}
	d.answer(t.Context(), l)
	for i, want := range []string{`{"made":"faster"}`, `{"made":"earlier"}`} {
		var c pipeline.Commit
		if err := store.ReadJSON(t.Context(), d.Store, commitName(d.keys[i]), &c); err != nil || string(c.Record) != want {
			t.Errorf("recipe %d: %s, %v, want %s", i+1, c.Record, err, want)
		}
	}
	if l.last() != "done" {
		t.Errorf("said %q", l.last())
	}
	// And nothing to do is done at once.
	again := &lease{ring: d.ring(), tries: 1}
	d.answer(t.Context(), again)
	if want := []string{"done", "found"}; len(again.said) != 1 || again.last() != "done" || !slices.Equal(d.ends, want) {
		t.Errorf("said %q, ended %q, want %q", again.said, d.ends, want)
	}
}

// TestStoreFaults: whatever call of the store fails or loses its reply, the
// ring comes back or all is done; nothing is a strike; the next try ends well.
func TestStoreFaults(t *testing.T) {
	for _, fault := range []storetest.Fault{storetest.Fail, storetest.LoseReply} {
		for n := 1; ; n++ {
			s := memory.New()
			d := newDesk(t, s, "well")
			faulty := storetest.Wrap(s, storetest.Nth(n, fault))
			d.Store = faulty
			l := &lease{ring: d.ring(), tries: 1}
			d.answer(t.Context(), l)
			calls := faulty.Calls()
			d.Store = s
			committed, said := d.state(t), l.last()
			if said == "done" && committed[0] != 'x' {
				t.Errorf("fault %d at call %d: done without a commit", fault, n)
			}
			if all, _ := d.strikes(t); len(all[0])+len(all[1])+len(all[2]) > 0 {
				t.Errorf("fault %d at call %d: strikes %v", fault, n, all)
			}
			if rest := d.left(t); len(rest) > 0 { // rung for anew, if not the same ring
				d.answer(t.Context(), &lease{ring: queue.Ring{Engine: engine.ID(), Class: queue.Overnight, Key: rest[0], With: rest[1:]}, tries: 2})
			}
			if d.state(t) != "xxx" {
				t.Errorf("fault %d at call %d: committed %s after another try", fault, n, d.state(t))
			}
			d.emptyScratch(t)
			if calls < n {
				if said != "done" || committed != "xxx" {
					t.Errorf("without a fault: said %q, committed %s", said, committed)
				}
				break
			}
		}
	}
}

// TestSlowStore: a store that stands still is no strike against the job.
func TestSlowStore(t *testing.T) {
	t.Parallel()
	d := newDesk(t, memory.New(), "well")
	d.StuckAfter = 3 * time.Second // a child starts within it
	d.Store = stalled{d.Store}
	l := &lease{ring: d.ring(), tries: 1}
	d.answer(t.Context(), l)
	if all, _ := d.strikes(t); len(all[0]) > 0 || l.last() != "retry 1s" || d.state(t) != "---" {
		t.Errorf("strikes %v, said %q", all, l.last())
	}
}

// TestFolderFull: what the scratch folder can't hold is the machine's trouble.
func TestFolderFull(t *testing.T) {
	d := newDesk(t, memory.New(), "well")
	check(os.RemoveAll(d.Scratch))
	l := &lease{ring: d.ring(), tries: 3}
	d.answer(t.Context(), l)
	if len(d.ill) != 1 || !strings.Contains(d.ill[0].Error(), "disk of the scratch folder") || pipeline.KindOf(d.ill[0]) != pipeline.Infra {
		t.Errorf("trouble: %v", d.ill)
	}
	all, starts := d.strikes(t)
	if len(all[0]) > 0 || starts > 0 || l.last() != "retry 9s" {
		t.Errorf("strikes %v, %d starts, said %q", all, starts, l.last())
	}
	full := folderWriter{failing{}}
	if _, err := full.Write([]byte("x")); !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), "scratch folder") {
		t.Errorf("%v", err)
	}
}

// failing is a full disk.
type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, syscall.ENOSPC }

// stalled is a store that takes no blob.
type stalled struct{ store.Store }

func (s stalled) Put(ctx context.Context, _ pipeline.Digest, _ io.ReadSeeker) error {
	<-ctx.Done()
	return ctx.Err()
}

// TestRun is the whole loop over a queue.
func TestRun(t *testing.T) {
	d := newDesk(t, memory.New(), "well")
	q := queuememory.New(queuememory.Options{})
	d.Queue, d.Slots = q, 2
	for _, k := range d.keys {
		if err := q.Submit(t.Context(), queue.Ring{Engine: engine.ID(), Class: queue.Rush, Key: k}); err != nil {
			t.Fatal(err)
		}
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		d.Run(ctx)
	}()
	for deadline := time.Now().Add(patience); q.Len() > 0; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("the rings are not answered")
		}
	}
	stop()
	<-ended
	if d.state(t) != "xxx" {
		t.Errorf("committed %s", d.state(t))
	}
	d.emptyScratch(t)
}

// TestBeats: a worker says what it is at its start and every 5 s.
func TestBeats(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		events := &queuememory.Events{}
		var heard []queue.Event
		stop, err := events.Watch(func(e queue.Event) { heard = append(heard, e) })
		if err != nil {
			t.Fatal(err)
		}
		defer stop()
		w := &Worker{Queue: queuememory.New(queuememory.Options{}), Events: events, Engine: engine, Slots: 3, Name: "desk-1", Log: zap.NewNop()}
		ctx, over := context.WithTimeout(t.Context(), 16*time.Second)
		defer over()
		w.Run(ctx)
		synctest.Wait()
		want := queue.Event{Worker: "desk-1", Beat: &queue.Beat{Engine: engine, Slots: 3}}
		if len(heard) != 4 {
			t.Errorf("%d beats in 16 s, want 4", len(heard))
		}
		for _, e := range heard {
			if !reflect.DeepEqual(e, want) {
				t.Errorf("%+v, want %+v", e, want)
			}
		}
	})
}

package worker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
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

const engine = "0a1b2c3d"

// desk is a worker with what it works on.
type desk struct {
	*Worker
	keys   []pipeline.Digest // of three recipes over one source
	source pipeline.Digest
	mu     sync.Mutex
	news   int
	heard  []queue.Event
}

func newDesk(t *testing.T, s store.Store, mode string) *desk {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	d := &desk{}
	events := &queuememory.Events{}
	stop, err := events.Watch(func(e queue.Event) {
		d.mu.Lock()
		defer d.mu.Unlock()
		d.heard = append(d.heard, e)
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(stop)
	d.Worker = &Worker{
		Store: s, Events: events, Engine: engine, Child: []string{self, "child", mode}, Scratch: t.TempDir(),
		Slots: 1, Memory: 256, Name: "desk-1", Log: zap.NewNop(), Beat: 40 * time.Millisecond, StuckAfter: 5 * time.Second,
		News: func() { d.mu.Lock(); d.news++; d.mu.Unlock() },
	}
	audio := strings.NewReader("what was recorded")
	d.source = pipeline.DigestOf([]byte("what was recorded"))
	if err := s.Put(t.Context(), d.source, audio); err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		r := pipeline.NewRecipe(pipeline.StepProfile)
		r.Profile = &pipeline.ProfileRecipe{Source: d.source, Span: pipeline.Span{To: 100}, RateHz: 44100 + i}
		d.keys = append(d.keys, r.Key())
		if err := store.Create(t.Context(), s, "recipes/"+string(r.Key())+".json", r.Text()); err != nil {
			t.Fatal(err)
		}
	}
	return d
}

func (d *desk) ring() queue.Ring {
	return queue.Ring{Engine: engine, Class: queue.Overnight, Key: d.keys[0], With: d.keys[1:]}
}

// lease is a lease that writes down what is said to it.
type lease struct {
	ring  queue.Ring
	tries int
	lost  int // from the n-th word on; 0: never
	mu    sync.Mutex
	said  []string
}

func (l *lease) Ring() queue.Ring { return l.ring }
func (l *lease) Tries() int       { return l.tries }

func (l *lease) say(word string) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.said = append(l.said, word)
	if l.lost > 0 && len(l.said) >= l.lost {
		return queue.ErrLost
	}
	return nil
}

func (l *lease) Extend(context.Context) error { return l.say("extend") }
func (l *lease) Done(context.Context) error   { return l.say("done") }
func (l *lease) Retry(_ context.Context, after time.Duration) error {
	return l.say("retry " + after.String())
}

// last is the last word but for extensions.
func (l *lease) last() string {
	for i := len(l.said) - 1; i >= 0; i-- {
		if l.said[i] != "extend" {
			return l.said[i]
		}
	}
	return ""
}

func (l *lease) count(word string) (n int) {
	for _, w := range l.said {
		if w == word {
			n++
		}
	}
	return n
}

// committed is which of the three recipes have a commit.
func (d *desk) state(t *testing.T) (committed string) {
	t.Helper()
	for _, k := range d.keys {
		var c pipeline.Commit
		err := store.ReadJSON(t.Context(), d.Store, commitName(k), &c)
		switch {
		case err == nil && c.Key == k:
			committed += "x"
		case errors.Is(err, store.ErrAbsent):
			committed += "-"
		default:
			t.Errorf("commit: %+v, %v", c, err)
		}
	}
	return committed
}

// strikes is the failures noted of each recipe.
func (d *desk) strikes(t *testing.T) (all [3][]pipeline.Failure, starts int) {
	t.Helper()
	err := d.Store.List(t.Context(), "attempts/", func(i store.Info) error {
		if !strings.HasSuffix(i.Name, ".err.json") {
			starts++
			return nil
		}
		for n, k := range d.keys {
			if strings.HasPrefix(i.Name, "attempts/"+string(k)+"/") {
				var f pipeline.Failure
				if err := store.ReadJSON(t.Context(), d.Store, i.Name, &f); err != nil {
					return err
				}
				all[n] = append(all[n], f)
				return nil
			}
		}
		return fmt.Errorf("%s is a strike against nobody", i.Name)
	})
	if err != nil {
		t.Fatal(err)
	}
	return all, starts
}

// emptyScratch: a job leaves nothing behind.
func (d *desk) emptyScratch(t *testing.T) {
	t.Helper()
	left, err := filepath.Glob(filepath.Join(d.Scratch, "job-*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left in scratch: %v, %v", left, err)
	}
}

// TestChildren is every way a child may end.
func TestChildren(t *testing.T) {
	for _, c := range []struct {
		mode      string
		committed string
		said      string
		strike    int // the recipe it counts against, 0 none
		kind      pipeline.Kind
		text      string // the strike's, in part
	}{
		{"well", "xxx", "done", 0, "", ""},
		{"late@3", "xxx", "done", 0, "", ""},
		{"garbage", "xxx", "done", 0, "", ""},
		{"panic", "---", "retry 4s", 1, pipeline.Crash, "panic: a slice of the wrong length"},
		{"panic@1", "x--", "done", 2, pipeline.Crash, "panic: a slice of the wrong length"},
		{"panic@2", "xx-", "done", 3, pipeline.Crash, "panic: a slice of the wrong length"},
		{"exit", "---", "retry 4s", 1, pipeline.Crash, "exit status 3"},
		{"kill", "---", "retry 4s", 1, pipeline.Crash, "signal killed"},
		{"memory", "---", "retry 4s", 1, pipeline.Crash, "it ran out of the memory it may use"},
		{"bug", "---", "retry 4s", 1, pipeline.Bug, "as it says"},
		{"crash@1", "x--", "done", 2, pipeline.Crash, "as it says"},
		{"missing", "---", "retry 4s", 1, pipeline.Missing, "as it says"},
		{"unkind", "---", "retry 4s", 1, pipeline.Bug, "as it says"},
		{"infra", "---", "retry 4s", 0, "", ""},
		{"infra@1", "x--", "done", 0, "", ""},
		{"nothing", "---", "retry 4s", 1, pipeline.Bug, "left no result"},
		{"nothing@2", "xx-", "done", 3, pipeline.Bug, "left no result"},
		{"no-json", "---", "retry 4s", 1, pipeline.Bug, "left no commit"},
		{"other-key@1", "x--", "done", 2, pipeline.Bug, "the commit of"},
		{"no-blob", "---", "retry 4s", 1, pipeline.Bug, "did not leave it"},
		{"bad-blob@1", "x--", "done", 2, pipeline.Bug, "something else"},
		{"odd-blob", "---", "retry 4s", 1, pipeline.Bug, "is no digest"},
		{"orphan", "---", "retry 4s", 1, pipeline.Crash, "exit status 4"},
	} {
		t.Run(c.mode, func(t *testing.T) {
			t.Parallel()
			d := newDesk(t, memory.New(), c.mode)
			l := &lease{ring: d.ring(), tries: 2}
			d.answer(t.Context(), l)
			if got := d.state(t); got != c.committed {
				t.Errorf("committed %s, want %s", got, c.committed)
			}
			if got := l.last(); got != c.said {
				t.Errorf("said %q, want %q", got, c.said)
			}
			all, starts := d.strikes(t)
			if starts != 1 {
				t.Errorf("%d starts noted, want 1", starts)
			}
			for n, failures := range all {
				if n+1 != c.strike {
					if len(failures) > 0 {
						t.Errorf("recipe %d: strikes %v, want none", n+1, failures)
					}
					continue
				}
				if len(failures) != 1 || failures[0].Kind != c.kind || !strings.Contains(failures[0].Text, c.text) {
					t.Errorf("recipe %d: strikes %+v, want one of kind %s with %q", n+1, failures, c.kind, c.text)
				}
			}
			if d.news != 1 {
				t.Errorf("news %d times, want once", d.news)
			}
			d.mu.Lock()
			defer d.mu.Unlock()
			for _, e := range d.heard {
				if !e.Key.Valid() || e.Worker != "desk-1" {
					t.Errorf("event %+v", e)
				}
			}
			d.emptyScratch(t)
		})
	}
}

// TestProcessorTime: the runtime of Go ignores SIGXCPU, so that the kernel's
// SIGKILL at the hard limit is what ends such a child.
func TestProcessorTime(t *testing.T) {
	t.Parallel()
	d := newDesk(t, memory.New(), "cpu")
	p := &pulse{stuckAfter: time.Minute}
	dir := t.TempDir()
	if _, _, err := d.fill(t.Context(), p, dir, d.recipes(t)); err != nil {
		t.Fatal(err)
	}
	err := d.child(t.Context(), p, dir, pipeline.JobLimits{CPUSeconds: 1})
	if pipeline.KindOf(err) != pipeline.Crash || !strings.Contains(err.Error(), "processor time") {
		t.Errorf("%v, want a crash for want of processor time", err)
	}
}

func (d *desk) recipes(t *testing.T) []pipeline.Recipe {
	t.Helper()
	recipes, _, err := d.missing(t.Context(), d.ring())
	if err != nil {
		t.Fatal(err)
	}
	return recipes
}

// TestStuck: what stands still is stopped, is a strike, and its lease is not
// extended while it stands.
func TestStuck(t *testing.T) {
	for _, mode := range []string{"hang@1", "chatter@1"} {
		t.Run(mode, func(t *testing.T) {
			t.Parallel()
			d := newDesk(t, memory.New(), mode)
			d.StuckAfter = 600 * time.Millisecond
			l := &lease{ring: d.ring(), tries: 1}
			d.answer(t.Context(), l)
			all, _ := d.strikes(t)
			if len(all[1]) != 1 || all[1][0].Kind != pipeline.Crash || !strings.Contains(all[1][0].Text, "no progress") {
				t.Errorf("strikes %v", all)
			}
			if d.state(t) != "x--" || l.last() != "done" {
				t.Errorf("committed %s, said %q", d.state(t), l.last())
			}
			// It moved at the start, when it was laid out and begun, and in
			// its first words: of at least 15 beats no more saw it move.
			if n := l.count("extend"); n < 1 || n > 6 {
				t.Errorf("%d extensions, want 1 to 6", n)
			}
			d.emptyScratch(t)
		})
	}
}

func TestProgress(t *testing.T) {
	d := newDesk(t, memory.New(), "slow")
	l := &lease{ring: d.ring(), tries: 1}
	d.answer(t.Context(), l)
	// Three recipes of 0.6 s each, a beat every 40 ms, a move every 50 ms.
	if n := l.count("extend"); n < 15 {
		t.Errorf("%d extensions of a job that moves for 1.8 s, want 15 at least", n)
	}
	deadline := time.Now().Add(5 * time.Second)
	for {
		d.mu.Lock()
		seen := map[pipeline.Digest]float64{}
		done := 0
		for _, e := range d.heard {
			seen[e.Key] = max(seen[e.Key], e.Progress)
			if e.Done {
				done++
			}
			if e.Step != "profile" {
				t.Errorf("%+v", e)
			}
		}
		d.mu.Unlock()
		if len(seen) == 3 && done == 3 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("events %v, %d done", seen, done)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// TestLost: after ErrLost nothing more is said, and what was done counts all the same.
func TestLost(t *testing.T) {
	for _, c := range []struct {
		mode, committed string
	}{{"slow", "xxx"}, {"panic", "---"}} {
		d := newDesk(t, memory.New(), c.mode)
		d.Beat = time.Millisecond // so that even a short child has a beat
		l := &lease{ring: d.ring(), tries: 1, lost: 1}
		d.answer(t.Context(), l)
		if len(l.said) != 1 {
			t.Errorf("%s: said %q after the lease was lost", c.mode, l.said)
		}
		if got := d.state(t); got != c.committed {
			t.Errorf("%s: committed %s, want %s", c.mode, got, c.committed)
		}
	}
}

// TestStop: who is stopped takes children and theirs along, keeps what was
// done, blames nobody, and gives the ring back.
func TestStop(t *testing.T) {
	for _, c := range []struct{ mode, committed string }{{"family", "---"}, {"family@2", "xx-"}} {
		d := newDesk(t, memory.New(), c.mode)
		ctx, stop := context.WithCancel(t.Context())
		l := &lease{ring: d.ring(), tries: 3}
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			d.answer(ctx, l)
		}()
		pid := d.grandchild(t)
		stop()
		<-ended
		gone(t, pid)
		all, starts := d.strikes(t)
		if starts != 1 || len(all[0])+len(all[1])+len(all[2]) > 0 {
			t.Errorf("%s: %d starts, strikes %v", c.mode, starts, all)
		}
		if d.state(t) != c.committed || l.last() != "retry 0s" {
			t.Errorf("%s: committed %s, said %q", c.mode, d.state(t), l.last())
		}
		d.emptyScratch(t)
	}
}

// TestOrphan: a child that dies alone does not leave what it had started.
func TestOrphan(t *testing.T) {
	d := newDesk(t, memory.New(), "orphan")
	d.answer(t.Context(), &lease{ring: d.ring(), tries: 1})
	gone(t, d.grandchild(t))
}

func (d *desk) grandchild(t *testing.T) (pid int) {
	t.Helper()
	for deadline := time.Now().Add(10 * time.Second); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
		text, err := os.ReadFile(filepath.Join(d.Scratch, "grandchild"))
		if n, _ := fmt.Sscan(string(text), &pid); err == nil && n == 1 {
			return pid
		}
	}
	t.Fatal("no grandchild was started")
	return 0
}

// gone waits for a process to be no more, or a zombie that nobody reaps.
func gone(t *testing.T, pid int) {
	t.Helper()
	for deadline := time.Now().Add(5 * time.Second); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
		stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		if err != nil || strings.Contains(string(stat), ") Z ") {
			return
		}
	}
	_ = syscall.Kill(pid, syscall.SIGKILL)
	t.Errorf("process %d lives on", pid)
}

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
	// And nothing to do is done at once, without news.
	d.news = 0
	again := &lease{ring: d.ring(), tries: 1}
	d.answer(t.Context(), again)
	if len(again.said) != 1 || again.last() != "done" || d.news != 0 {
		t.Errorf("said %q, news %d", again.said, d.news)
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
			d.answer(t.Context(), &lease{ring: d.ring(), tries: 2})
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
	d := newDesk(t, memory.New(), "well")
	d.StuckAfter = 200 * time.Millisecond
	d.Store = stalled{d.Store}
	l := &lease{ring: d.ring(), tries: 1}
	d.answer(t.Context(), l)
	if all, _ := d.strikes(t); len(all[0]) > 0 || l.last() != "retry 1s" || d.state(t) != "---" {
		t.Errorf("strikes %v, said %q", all, l.last())
	}
}

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
		if err := q.Submit(t.Context(), queue.Ring{Engine: engine, Class: queue.Rush, Key: k}); err != nil {
			t.Fatal(err)
		}
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		d.Run(ctx)
	}()
	for deadline := time.Now().Add(20 * time.Second); q.Len() > 0; time.Sleep(5 * time.Millisecond) {
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

package worker

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store/memory"
)

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
			if infra := strings.HasPrefix(c.mode, "infra"); infra != (len(d.ill) == 1) {
				t.Errorf("trouble: %v", d.ill)
			}
			want := "done"
			switch {
			case c.strike > 0:
				want = "failed"
			case len(d.ill) > 0:
				want = "infra"
			}
			if len(d.ends) != 1 || d.ends[0] != want {
				t.Errorf("ended %q, want %s once", d.ends, want)
			}
			d.expectNews(t, c.committed, c.strike)
			d.emptyScratch(t)
		})
	}
}

// TestReason: a death is told by the child's own words where it had any, and by
// what it had in use where it died near its limit.
func TestReason(t *testing.T) {
	died := errors.New("exit status 2")
	for _, c := range []struct {
		stderr string
		peak   int
		want   string
	}{
		{"fatal error: runtime: out of memory\n", 100, "it ran out of the memory it may use"},
		{"panic: index out of range\n", 500, "exit status 2 (panic: index out of range)"},
		{"", 500, "exit status 2, with 500 MiB of memory in use of the 512 it may use"},
		{"", 300, "exit status 2"},
	} {
		if got := reason(died, c.stderr, c.peak, 512); got != c.want {
			t.Errorf("%q, %d MiB: %q, want %q", c.stderr, c.peak, got, c.want)
		}
	}
	if got := reason(died, "", 500, 0); got != "exit status 2" {
		t.Errorf("without a limit: %q", got)
	}
}

// TestWorn: a ring whose coordinator is gone is handed out until a key of it has
// failed as often as it may, by whoever, and then no more.
func TestWorn(t *testing.T) {
	for _, c := range []struct {
		mode  string
		wants []string
	}{
		{"panic", []string{"retry 1s", "retry 4s", "done"}},
		{"infra", []string{"retry 1s", "retry 4s", "retry 9s"}},
	} {
		d := newDesk(t, memory.New(), c.mode)
		for i, want := range c.wants {
			l := &lease{ring: d.ring(), tries: i + 1}
			d.answer(t.Context(), l)
			if got := l.last(); got != want {
				t.Errorf("%s, try %d: said %q, want %q", c.mode, i+1, got, want)
			}
		}
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
	err := d.Child(t.Context(), dir, pipeline.JobLimits{CPUSeconds: 1}, func(Line) {})
	if pipeline.KindOf(err) != pipeline.Crash || !strings.Contains(err.Error(), "processor time") {
		t.Errorf("%v, want a crash for want of processor time", err)
	}
}

// expectNews: a commit that stands is said once, a strike once, and what a
// child says of itself is neither.
func (d *desk) expectNews(t *testing.T, committed string, strike int) {
	t.Helper()
	news := func() (done, failed string, odd []queue.Event) {
		d.mu.Lock()
		defer d.mu.Unlock()
		said, struck := []byte("---"), []byte("---")
		for _, e := range d.heard {
			n := slices.Index(d.keys, e.Key)
			switch {
			case n < 0 || e.Worker != "desk-1" || e.Done && e.Failed:
				odd = append(odd, e)
			case e.Done && said[n] == '-':
				said[n] = 'x'
			case e.Failed && struck[n] == '-':
				struck[n] = 'x'
			case e.Done || e.Failed:
				odd = append(odd, e)
			}
		}
		return string(said), string(struck), odd
	}
	want := []byte("---")
	if strike > 0 {
		want[strike-1] = 'x'
	}
	for deadline := time.Now().Add(patience); ; time.Sleep(time.Millisecond) {
		done, failed, odd := news()
		if len(odd) > 0 {
			t.Fatalf("news %+v", odd)
		}
		if done == committed && failed == string(want) {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("said to be done %s, failed %s, want %s and %s", done, failed, committed, want)
		}
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
			d.StuckAfter = 3 * time.Second // a child starts within it
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
			// its first words: of at least 75 beats no more saw it move.
			if n := l.count("extend"); n < 1 || n > 20 {
				t.Errorf("%d extensions, want 1 to 20", n)
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
	// Of 45 beats a busy machine misses some.
	if n := l.count("extend"); n < 10 {
		t.Errorf("%d extensions of a job that moves for 1.8 s, want 10 at least", n)
	}
	deadline := time.Now().Add(patience)
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
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
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
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
		stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		if err != nil || strings.Contains(string(stat), ") Z ") {
			return
		}
	}
	_ = syscall.Kill(pid, syscall.SIGKILL)
	t.Errorf("process %d lives on", pid)
}

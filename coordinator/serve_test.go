package coordinator

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/queue"
	queuememory "chapterhouse/pipeline/queue/memory"
	"chapterhouse/pipeline/store/storetest"
)

var evening = time.Date(2026, 11, 25, 18, 0, 0, 0, time.UTC)

// TestOrder: rush first, then by due date, and turn by turn between titles of one date.
func TestOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFleet(t)
		f.book("undated-0", 3, Order{})
		f.book("later-0", 3, Order{Due: evening.Add(48 * time.Hour)})
		f.book("one-0", 3, Order{Due: evening})
		f.book("two-0", 3, Order{Due: evening})
		f.book("rush-0", 3, Order{Class: queue.Rush, Due: evening.Add(72 * time.Hour)})
		open, err := Open(t.Context(), f.store)
		if err != nil {
			t.Fatal(err)
		}
		var order []string
		for _, e := range open {
			order = append(order, e.Title)
		}
		if want := []string{"rush-0", "one-0", "two-0", "later-0", "undated-0"}; !slices.Equal(order, want) {
			t.Errorf("open in the order %v, want %v", order, want)
		}
		f.serve()
		f.hands("w1", f.sub.Engine)
		stood := f.stand(24*time.Hour, order...)
		for i := 1; i < len(order); i++ {
			if a, b := stood[order[i-1]], stood[order[i]]; a > b && order[i] != "two-0" {
				t.Errorf("%s stands after %v, %s after %v", order[i-1], a, order[i], b)
			}
		}
		// Titles of one date go on side by side.
		if a, b := stood["one-0"], stood["two-0"]; a-b > 5*time.Minute || b-a > 5*time.Minute {
			t.Errorf("of one date: %v and %v", a, b)
		}
		// Each result is made once.
		made := map[pipeline.Digest]int{}
		for _, r := range f.made {
			if made[r.Key()]++; made[r.Key()] > 1 {
				t.Errorf("a %s was made twice", r.Step)
			}
		}
		if left := f.objects("open/"); len(left) > 0 {
			t.Errorf("the index still holds %v", slices.Sorted(maps.Keys(left)))
		}
	})
}

// TestOvernightTurn: rush never starves overnight: one ring in eight is kept for it.
func TestOvernightTurn(t *testing.T) {
	k := func(title string, class queue.Class, n int) *known {
		k := &known{title: title, order: Order{Class: class}, out: map[pipeline.Digest]*rung{}}
		for i := range n {
			k.wants = append(k.wants, want{ring: queue.Ring{Class: class, Key: pipeline.DigestOf([]byte(fmt.Sprint(title, i)))}})
		}
		return k
	}
	for _, c := range []struct{ slots, rush, overnight, wantRush, wantOvernight int }{
		{8, 100, 100, 28, 4}, {8, 100, 0, 32, 0}, {8, 100, 2, 30, 2}, {8, 3, 100, 3, 29}, {1, 100, 100, 3, 1}, {0, 100, 100, 0, 0},
	} {
		co := &Coordinator{Slots: c.slots}
		turn := co.turn([]*known{k("a", queue.Overnight, c.overnight), k("b", queue.Rush, c.rush)})
		rang := map[queue.Class]int{}
		for {
			title, w := turn.next()
			if title == nil {
				break
			}
			rang[w.ring.Class]++
			turn.rang(title, w)
		}
		if rang[queue.Rush] != c.wantRush || rang[queue.Overnight] != c.wantOvernight {
			t.Errorf("%+v: %d rush and %d overnight", c, rang[queue.Rush], rang[queue.Overnight])
		}
	}
}

// TestBudget: rings follow the slots that workers say they have.
func TestBudget(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFleet(t)
		f.job = time.Hour
		f.book("long-0", 40, Order{})
		co := f.serve()
		time.Sleep(time.Minute)
		if n := co.Night(); n.Rings != 0 || n.Workers != 0 || n.Titles != 1 {
			t.Errorf("with no worker: %+v", n)
		}
		f.hands("w1", f.sub.Engine)
		gone := f.hands("w2", f.sub.Engine)
		time.Sleep(time.Minute)
		if n := co.Night(); n.Rings != 2*ringsPerSlot || n.Workers != 2 || n.Slots != 2 {
			t.Errorf("with two: %+v", n)
		}
		gone()
		time.Sleep(2 * quiet)
		if n := co.Night(); n.Workers != 1 || n.Slots != 1 {
			t.Errorf("with one gone: %+v", n)
		}
	})
}

// TestCancel: nothing new is begun, what was committed stays, the run never
// stands, and the next submission finds what there is.
func TestCancel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFleet(t)
		f.book("long-0", 12, Order{})
		f.serve()
		f.hands("w1", f.sub.Engine)
		time.Sleep(20 * time.Minute)
		run, err := Cancel(t.Context(), f.store, "long-0")
		if err != nil || run != "000001" {
			t.Fatalf("%q, %v", run, err)
		}
		time.Sleep(2 * time.Minute) // what was in hand
		synctest.Wait()
		begun, made := len(f.took), len(f.made)
		time.Sleep(time.Hour)
		synctest.Wait()
		if len(f.took) != begun {
			t.Errorf("%d jobs were begun after the run was cancelled", len(f.took)-begun)
		}
		if s := read[pipeline.TitleState](f.world, titleName("long-0")); s.Standing != "" || s.Wanted != "" || s.Cancelled != "000001" {
			t.Errorf("%+v", s)
		}
		if left := f.objects("open/"); len(left) > 0 {
			t.Errorf("the index still holds %v", slices.Sorted(maps.Keys(left)))
		}
		if seen, err := Look(t.Context(), f.store, "long-0"); err != nil || seen.Cancelled != "000001" || !seen.Over() {
			t.Errorf("%+v, %v", seen, err)
		}
		f.book("long-0", 12, Order{})
		f.stand(24*time.Hour, "long-0")
		if s := read[pipeline.TitleState](f.world, titleName("long-0")); s.Standing != "000002" {
			t.Errorf("%+v", s)
		}
		if n := count(f.made); n[pipeline.StepIntake] != 12 || n[pipeline.StepFile] != 24 || made == 0 {
			t.Errorf("%v were made", n)
		}
		if run, err := Cancel(t.Context(), f.store, "long-0"); run != "" || err != nil {
			t.Errorf("of a title that stands: %q, %v", run, err)
		}
	})
}

// TestCancelElsewhere: rings of a coordinator that is gone are withdrawn by
// whoever comes after it.
func TestCancelElsewhere(t *testing.T) {
	w := newWorld(t)
	w.submit()
	if _, err := w.coordinator(w.store).Reconcile(t.Context(), title); err != nil {
		t.Fatal(err)
	}
	q := w.queue.(*queuememory.Queue)
	if q.Len() == 0 {
		t.Fatal("nothing is out")
	}
	if _, err := Cancel(t.Context(), w.store, title); err != nil {
		t.Fatal(err)
	}
	if seen, err := w.coordinator(w.store).Reconcile(t.Context(), title); err != nil || seen.Cancelled == "" || q.Len() != 0 {
		t.Errorf("%+v, %v: %d rings are left", seen, err, q.Len())
	}
}

// TestSuperseded: after a newer submission only what it needs is rung for.
func TestSuperseded(t *testing.T) {
	w := newWorld(t)
	w.submit()
	co := w.coordinator(w.store)
	for range 100 {
		if seen, err := co.Reconcile(t.Context(), title); err != nil || seen.Step == pipeline.StepWeigh {
			break
		}
		w.answer()
	}
	w.sub.Narrators = map[string]pipeline.Narrator{"ines": narrator("ines", 120), "tobias": narrator("tobias", 90)}
	w.submit()
	seen, err := co.Reconcile(t.Context(), title)
	if err != nil || seen.Step != pipeline.StepWeigh || seen.Run != "000002" {
		t.Fatalf("%+v, %v", seen, err)
	}
	wanted := map[pipeline.Digest]bool{}
	for _, ch := range seen.Chapters {
		for _, key := range ch.Missing {
			wanted[key] = true
		}
	}
	for {
		lease, err := w.queue.Lease(t.Context(), w.sub.Engine.ID(), 0)
		if err != nil {
			break
		}
		if !wanted[lease.Ring().Key] {
			t.Error("a ring of the older run is still out")
		}
		delete(wanted, lease.Ring().Key)
	}
	if len(w.objects("open/")) != 1 {
		t.Errorf("the index holds %v", slices.Sorted(maps.Keys(w.objects("open/"))))
	}
}

// TestEngine: a run that names no engine takes one of the workers that are
// there, this build's first, and stays with it.
func TestEngine(t *testing.T) {
	ours := newWorld(t).sub.Engine
	plain := pipeline.NewEngine(ours.Stages, map[pipeline.Format]string{pipeline.FLAC: "own 1"})
	newer := pipeline.NewEngine(map[string]int{"highpass": 1, "eq": 2}, ours.Encoders)
	mended := pipeline.NewEngine(map[string]int{"highpass": 2}, ours.Encoders) // another revision than the chain asks for
	foreign := ours
	foreign.Arch = "other"
	for _, c := range []struct {
		name    string
		workers []pipeline.Engine
		want    pipeline.Engine
	}{
		{"the only one", []pipeline.Engine{newer}, newer},
		{"this build's", []pipeline.Engine{newer, newer, ours}, ours},
		{"the one that the chain fits", []pipeline.Engine{mended, mended, plain, foreign}, plain},
		{"the one with more encoders", []pipeline.Engine{plain, plain, ours}, ours},
	} {
		bubble(t, c.name, func(t *testing.T) {
			f := newFleet(t)
			f.sub.Engine = pipeline.Engine{}
			f.book("one-0", 2, Order{})
			f.sub.Engine = ours
			f.serve()
			time.Sleep(time.Minute)
			if seen, err := Look(t.Context(), f.store, "one-0"); err != nil || seen.Engine != "" {
				t.Errorf("with no worker: engine %q, %v", seen.Engine, err)
			}
			for i, e := range c.workers {
				f.events.Say(queue.Event{Worker: fmt.Sprint("heard-", i), Beat: &queue.Beat{Engine: e, Slots: 1}})
			}
			f.events.Say(queue.Event{Worker: "never", Beat: &queue.Beat{Engine: mended, Slots: 64}})
			time.Sleep(15 * time.Second)
			if seen, err := Look(t.Context(), f.store, "one-0"); err != nil || seen.Engine != c.want.ID() {
				t.Errorf("engine %q, %v; want %s", seen.Engine, err, c.want.ID())
			}
			f.hands("late", c.want)
			f.stand(24*time.Hour, "one-0")
			if got := read[pipeline.Outcome](f.world, runName("one-0", "000001", "close")).Engine.ID(); got != c.want.ID() {
				t.Errorf("closed by engine %s, want %s", got, c.want.ID())
			}
		})
	}
}

// TestLook: whoever only looks writes nothing and sees what a pass sees.
func TestLook(t *testing.T) {
	w := newWorld(t)
	w.submit()
	co := w.coordinator(w.store)
	for range 200 {
		pass, err := co.Reconcile(t.Context(), title)
		if err != nil {
			t.Fatal(err)
		}
		before := w.objects("")
		seen, err := Look(t.Context(), w.store, title)
		if err != nil || seen.Step != pass.Step && !pass.Closed || seen.Closed != pass.Closed || len(seen.Chapters) != len(pass.Chapters) && !pass.Closed {
			t.Fatalf("%+v, %v; a pass saw %+v", seen, err, pass)
		}
		expectSame(t, "after a look", w.objects(""), before)
		if pass.Closed {
			return
		}
		w.answer()
	}
	t.Fatal("not closed")
}

// TestCalls bounds what a night asks of the store, by chapters: each result is
// looked for once before it is rung for, closer then, and once when it is said
// to be there.
func TestCalls(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const chapters = 60
		f := newFleet(t)
		f.book("long-0", chapters, Order{})
		calls := map[string]int{}
		counted := storetest.Wrap(f.store, func(c storetest.Call) storetest.Fault {
			where, _, _ := strings.Cut(c.Name, "/")
			calls[c.Op+" "+where]++
			return storetest.None
		})
		co := &Coordinator{Store: counted, Queue: f.queue, Events: f.events, Engine: f.sub.Engine, Slots: 64, Scan: 10 * time.Minute, Checks: check.Builtin(), Log: zap.NewNop()}
		f.start(func(ctx context.Context) { _ = co.Run(ctx) })
		f.hands("w1", f.sub.Engine)
		f.stand(24*time.Hour, "long-0")
		const results = 6 * chapters // intake, profile, weigh, two files, check
		t.Logf("%v", calls)
		for what, most := range map[string]float64{"Get commits": 4, "Get quarantine": 2, "List attempts": 2, "Swap recipes": 1.1} {
			if got := float64(calls[what]) / results; got > most {
				t.Errorf("%s: %.2f calls for each result, at most %.1f", what, got, most)
			}
		}
	})
}

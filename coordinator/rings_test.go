package coordinator

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	queuememory "chapterhouse/pipeline/queue/memory"
)

// bell is a queue that looks at what it is told.
type bell struct {
	*queuememory.Queue
	submitted func(queue.Ring)
	withdrawn func(queue.Ring)
}

func (b bell) Submit(ctx context.Context, r queue.Ring) error {
	b.submitted(r)
	return b.Queue.Submit(ctx, r)
}

func (b bell) Withdraw(ctx context.Context, r queue.Ring) error {
	b.withdrawn(r)
	return b.Queue.Withdraw(ctx, r)
}

// TestRings: at most four a slot are out, in the order of the chapters, each
// with its recipes written down before; nothing is withdrawn in a plain night.
func TestRings(t *testing.T) {
	w := newWorld(t)
	for n := 5; n <= 14; n++ {
		w.chapter(n, fmt.Sprintf("Chapter %d", n), "ines", recording{seconds: 600, speech: -24, booth: -66})
	}
	q := queuememory.New(queuememory.Options{})
	var order []pipeline.Digest
	w.queue = bell{q, func(r queue.Ring) {
		for _, key := range append([]pipeline.Digest{r.Key}, r.With...) {
			if !w.there(recipeName(key)) {
				t.Errorf("rung for %s before it was written down", key.Short())
			}
		}
		if r.Engine != w.sub.Engine.ID() || r.Class != queue.Overnight {
			t.Errorf("%+v", r)
		}
		if !slices.Contains(order, r.Key) {
			order = append(order, r.Key)
		}
	}, func(r queue.Ring) { t.Errorf("withdrawn: %+v", r) }}
	w.submit()
	co := w.coordinator(w.store)
	co.Slots = 1
	most := 0
	for range 500 {
		seen, err := co.Reconcile(t.Context(), title)
		if err != nil {
			t.Fatal(err)
		}
		if seen.Closed {
			w.expectWhole(seen.Outcome)
			break
		}
		most = max(most, q.Len())
		w.answer()
	}
	if w.state().Standing == "" {
		t.Error("not closed")
	}
	if most != ringsPerSlot {
		t.Errorf("at most %d rings were out, want %d", most, ringsPerSlot)
	}
	if !slices.Equal(order, w.inOrder()) {
		t.Error("the rings are not in the order of steps and chapters")
	}
}

// inOrder is the first result of every ring there should have been, step by
// step, chapter by chapter.
func (w *world) inOrder() (keys []pipeline.Digest) {
	for _, s := range w.sub.Sources {
		keys = append(keys, w.recipes(pipeline.StepIntake, s.Path)[0].Key())
	}
	for _, step := range []pipeline.Step{pipeline.StepProfile, pipeline.StepWeigh, pipeline.StepFile} {
		for _, ch := range w.sub.Title.Chapters {
			keys = append(keys, w.recipes(step, ch.Parts[0].File)[0].Key())
		}
	}
	return keys
}

// TestQueueLost: a broker that forgets everything, after every pass, costs no work.
func TestQueueLost(t *testing.T) {
	want := reference(t, newWorld)
	w := newWorld(t)
	w.submit()
	co := w.coordinator(w.store)
	for range 200 {
		seen, err := co.Reconcile(t.Context(), title)
		if err != nil {
			t.Fatal(err)
		}
		if seen.Closed {
			break
		}
		w.answer() // one ring; the rest is lost
		w.queue.(*queuememory.Queue).Clear()
	}
	expectSame(t, "with a broker that forgets", w.results(), want)
	if n := len(w.made); n != 27 {
		t.Errorf("%d results were made, want each of 27 once", n)
	}
}

// TestDeadRings: rings that workers took and never answered, as often as a
// ring is handed out, are rung anew within the hour and the title is closed.
func TestDeadRings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		const tries = 3
		q := queuememory.New(queuememory.Options{MaxTries: tries})
		withdrawn := 0
		w.queue = bell{q, func(queue.Ring) {}, func(queue.Ring) { withdrawn++ }}
		w.submit()
		co := w.coordinator(w.store)
		pass := func() Title {
			seen, err := co.Reconcile(t.Context(), title)
			if err != nil {
				t.Fatal(err)
			}
			return seen
		}
		pass()
		for { // workers that vanish
			if _, err := q.Lease(t.Context(), w.sub.Engine.ID(), 2*time.Minute); err != nil {
				break
			}
			time.Sleep(61 * time.Second)
		}
		vanished := time.Now()
		for !pass().Closed {
			for w.answer() {
			}
			time.Sleep(5 * time.Second)
			if time.Since(vanished) > silence+10*time.Minute {
				t.Fatal("the title waits for rings that nobody gets any more")
			}
		}
		if withdrawn != 5 {
			t.Errorf("%d rings were withdrawn, want the dead 5", withdrawn)
		}
	})
}

// TestLongJobs: a ring whose tries go on, and one that is worked on for less
// than the hour, are left alone.
func TestLongJobs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		q := queuememory.New(queuememory.Options{})
		w.queue = bell{q, func(queue.Ring) {}, func(r queue.Ring) { t.Errorf("withdrawn: %+v", r) }}
		w.failing(pipeline.StepIntake, "02-1.flac", pipeline.Infra, 15)
		w.again = 10 * time.Minute
		w.submit()
		co := w.coordinator(w.store)
		for begun := time.Now(); ; time.Sleep(30 * time.Second) {
			seen, err := co.Reconcile(t.Context(), title)
			if err != nil {
				t.Fatal(err)
			}
			if seen.Closed {
				if time.Since(begun) < 2*time.Hour {
					t.Errorf("closed after %v: nothing was tried", time.Since(begun))
				}
				return
			}
			if time.Since(begun) > 12*time.Hour {
				t.Fatal("not closed")
			}
			for w.answer() {
			}
		}
	})
}

package queuetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

const engine, otherEngine = "a3f9c0de11", "77b1e5aa42"

func ringOf(class queue.Class, n int) queue.Ring {
	return queue.Ring{Engine: engine, Class: class, Key: pipeline.DigestOf(fmt.Append(nil, n))}
}

func ringAndDone(t *testing.T, b Bench) {
	r := ringOf(queue.Overnight, 1)
	r.With = []pipeline.Digest{pipeline.DigestOf([]byte("mp3")), pipeline.DigestOf([]byte("flac"))}
	must(t, b.Submit(t.Context(), r))
	l := lease(t, b)
	got := l.Ring()
	if got.Engine != r.Engine || got.Class != r.Class || got.Key != r.Key || !slices.Equal(got.With, r.With) {
		t.Errorf("leased %+v, want %+v", got, r)
	}
	if l.Tries() != 1 {
		t.Errorf("tries %d, want 1", l.Tries())
	}
	must(t, l.Done(t.Context()))
	expectEmpty(t, b, 2*b.LeaseTime)
}

func empty(t *testing.T, b Bench) {
	expectEmpty(t, b, 0)
	expectEmpty(t, b, b.LeaseTime/2) // an engine that nobody has rung for
	must(t, b.Submit(t.Context(), ringOf(queue.Rush, 1)))
	must(t, lease(t, b).Done(t.Context()))
	start := time.Now()
	expectEmpty(t, b, b.LeaseTime/2)
	if waited := time.Since(start); waited < b.LeaseTime/2 {
		t.Errorf("gave up after %v of %v", waited, b.LeaseTime/2)
	}
	expectEmpty(t, b, -time.Second)
}

func wakes(t *testing.T, b Bench) {
	for n, class := range []queue.Class{queue.Overnight, queue.Rush} {
		got := make(chan error, 1)
		go func() {
			l, err := b.Lease(t.Context(), engine, 20*b.LeaseTime)
			if err == nil {
				err = l.Done(t.Context())
			}
			got <- err
		}()
		time.Sleep(b.LeaseTime / 4)
		must(t, b.Submit(t.Context(), ringOf(class, n)))
		must(t, <-got)
	}
}

func once(t *testing.T, b Bench) {
	r := ringOf(queue.Overnight, 1)
	for range 3 {
		must(t, b.Submit(t.Context(), r))
	}
	l := lease(t, b)
	must(t, b.Submit(t.Context(), r))
	expectEmpty(t, b, 0)
	must(t, l.Extend(t.Context()))
	must(t, b.Submit(t.Context(), r))
	expectEmpty(t, b, b.LeaseTime/4)
	must(t, l.Done(t.Context()))
	expectEmpty(t, b, b.LeaseTime/4)

	// Another class is another ring.
	rush := r
	rush.Class = queue.Rush
	must(t, b.Submit(t.Context(), r))
	must(t, b.Submit(t.Context(), rush))
	must(t, lease(t, b).Done(t.Context()))
	must(t, lease(t, b).Done(t.Context()))
	expectEmpty(t, b, 0)
}

func againAfterDone(t *testing.T, b Bench) {
	for range 3 {
		l := again(t, b, ringOf(queue.Overnight, 1))
		if l.Tries() != 1 {
			t.Errorf("tries %d of a new ring, want 1", l.Tries())
		}
		must(t, l.Done(t.Context()))
	}
}

func redelivered(t *testing.T, b Bench) {
	must(t, b.Submit(t.Context(), ringOf(queue.Overnight, 1)))
	for try := 1; try <= 3; try++ {
		if l := lease(t, b); l.Tries() != try {
			t.Errorf("tries %d, want %d", l.Tries(), try)
		}
		expectEmpty(t, b, b.LeaseTime/4)
	}
	must(t, lease(t, b).Done(t.Context()))
	expectEmpty(t, b, 2*b.LeaseTime)
}

func extendKeeps(t *testing.T, b Bench) {
	must(t, b.Submit(t.Context(), ringOf(queue.Overnight, 1)))
	l := lease(t, b)
	for range 6 {
		time.Sleep(b.LeaseTime * 3 / 8)
		must(t, l.Extend(t.Context()))
		expectEmpty(t, b, 0)
	}
	must(t, l.Done(t.Context()))
	expectEmpty(t, b, 2*b.LeaseTime)
}

func retry(t *testing.T, b Bench) {
	must(t, b.Submit(t.Context(), ringOf(queue.Overnight, 1)))
	for try := 1; try <= 3; try++ {
		l := lease(t, b)
		if l.Tries() != try {
			t.Errorf("tries %d, want %d", l.Tries(), try)
		}
		must(t, l.Retry(t.Context(), 0))
	}
	must(t, lease(t, b).Done(t.Context()))
}

func retryLater(t *testing.T, b Bench) {
	must(t, b.Submit(t.Context(), ringOf(queue.Overnight, 1)))
	must(t, lease(t, b).Retry(t.Context(), b.LeaseTime))
	must(t, b.Submit(t.Context(), ringOf(queue.Overnight, 1))) // it is there
	expectEmpty(t, b, b.LeaseTime/2)
	must(t, lease(t, b).Done(t.Context()))
	expectEmpty(t, b, 0)
}

func retryStopsNobody(t *testing.T, b Bench) {
	must(t, b.Submit(t.Context(), ringOf(queue.Overnight, 1)))
	must(t, lease(t, b).Retry(t.Context(), queue.MaxRetry))
	must(t, b.Submit(t.Context(), ringOf(queue.Overnight, 2)))
	l := lease(t, b)
	if l.Ring().Key != ringOf(queue.Overnight, 2).Key {
		t.Error("a ring came before its retry was due")
	}
	must(t, l.Done(t.Context()))
	must(t, b.Withdraw(t.Context(), ringOf(queue.Overnight, 1)))
}

func overIsOver(t *testing.T, b Bench) {
	must(t, b.Submit(t.Context(), ringOf(queue.Overnight, 1)))
	l := lease(t, b)
	must(t, l.Retry(t.Context(), 0))
	expectLost(t, l)
	l = lease(t, b)
	must(t, l.Done(t.Context()))
	expectLost(t, l)
	expectEmpty(t, b, 0)
}

func lateWords(t *testing.T, b Bench) {
	must(t, b.Submit(t.Context(), ringOf(queue.Overnight, 1)))
	first := lease(t, b)
	second := lease(t, b) // waits until first's time is over
	expectLost(t, first)
	expectEmpty(t, b, 0) // second still has it
	must(t, second.Extend(t.Context()))
	must(t, second.Done(t.Context()))
	expectLost(t, first)
	must(t, again(t, b, ringOf(queue.Overnight, 1)).Done(t.Context()))
	expectEmpty(t, b, 0)
}

func rushFirst(t *testing.T, b Bench) {
	for n := range 3 {
		must(t, b.Submit(t.Context(), ringOf(queue.Overnight, n)))
	}
	for n := range 3 {
		must(t, b.Submit(t.Context(), ringOf(queue.Rush, n)))
	}
	var got []queue.Class
	for range 6 {
		l := lease(t, b)
		got = append(got, l.Ring().Class)
		must(t, l.Done(t.Context()))
	}
	if want := []queue.Class{queue.Rush, queue.Rush, queue.Rush, queue.Overnight, queue.Overnight, queue.Overnight}; !slices.Equal(got, want) {
		t.Errorf("leased %v, want %v", got, want)
	}
}

func notStarved(t *testing.T, b Bench) {
	for n := range 2 * queue.OvernightTurn {
		must(t, b.Submit(t.Context(), ringOf(queue.Rush, n)))
	}
	must(t, b.Submit(t.Context(), ringOf(queue.Overnight, 0)))
	for n := range queue.OvernightTurn {
		l := lease(t, b)
		must(t, l.Done(t.Context()))
		if l.Ring().Class == queue.Overnight {
			if n != queue.OvernightTurn-1 {
				t.Errorf("overnight came as number %d, before its turn", n+1)
			}
			return
		}
	}
	t.Errorf("overnight did not come among %d", queue.OvernightTurn)
}

func engines(t *testing.T, b Bench) {
	mine, other := ringOf(queue.Rush, 1), ringOf(queue.Rush, 1)
	other.Engine = otherEngine
	must(t, b.Submit(t.Context(), other))
	expectEmpty(t, b, b.LeaseTime/4)
	must(t, b.Submit(t.Context(), mine))
	l := lease(t, b)
	if l.Ring().Engine != engine {
		t.Errorf("leased a ring of engine %s", l.Ring().Engine)
	}
	must(t, l.Done(t.Context()))
	expectEmpty(t, b, 0)
	l, err := b.Lease(t.Context(), otherEngine, b.LeaseTime)
	must(t, err)
	must(t, l.Done(t.Context()))
}

func withdrawWaiting(t *testing.T, b Bench) {
	r := ringOf(queue.Overnight, 1)
	must(t, b.Withdraw(t.Context(), r)) // one that is not there
	must(t, b.Submit(t.Context(), r))
	must(t, b.Submit(t.Context(), ringOf(queue.Overnight, 2)))
	must(t, b.Withdraw(t.Context(), r))
	l := lease(t, b)
	if l.Ring().Key == r.Key && b.Servers > 1 { // one server had not heard yet
		_ = l.Done(t.Context())
		l = lease(t, b)
	}
	if l.Ring().Key == r.Key {
		t.Error("leased a ring that was withdrawn")
	}
	must(t, l.Done(t.Context()))
	expectEmpty(t, b, b.LeaseTime/4)
	must(t, b.Submit(t.Context(), r))
	must(t, lease(t, b).Done(t.Context()))
}

func withdrawLeased(t *testing.T, b Bench) {
	r := ringOf(queue.Overnight, 1)
	must(t, b.Submit(t.Context(), r))
	old := lease(t, b)
	must(t, b.Withdraw(t.Context(), r))
	expectEmpty(t, b, 0)
	must(t, b.Submit(t.Context(), r))
	l := lease(t, b)
	if l.Tries() != 1 {
		t.Errorf("tries %d of a ring submitted anew, want 1", l.Tries())
	}
	// What the old holder says concerns a ring that is no more.
	for _, say := range words(old) {
		if err := say.run(t.Context()); err != nil && !errors.Is(err, queue.ErrLost) {
			t.Logf("%s of a withdrawn ring: %v", say.name, err)
		}
	}
	expectEmpty(t, b, 0)
	must(t, l.Extend(t.Context()))
	must(t, l.Done(t.Context()))
	expectEmpty(t, b, 2*b.LeaseTime)
}

func dead(t *testing.T, b Bench) {
	r := ringOf(queue.Overnight, 1)
	must(t, b.Submit(t.Context(), r))
	for range b.MaxTries {
		must(t, lease(t, b).Retry(t.Context(), 0))
	}
	expectEmpty(t, b, 2*b.LeaseTime)
	must(t, b.Submit(t.Context(), r)) // it is there, and dead
	expectEmpty(t, b, b.LeaseTime/4)
	must(t, b.Submit(t.Context(), ringOf(queue.Overnight, 2)))
	must(t, lease(t, b).Done(t.Context()))
	must(t, b.Withdraw(t.Context(), r))
	must(t, b.Submit(t.Context(), r))
	l := lease(t, b)
	if l.Ring().Key != r.Key || l.Tries() != 1 {
		t.Errorf("leased %s, tries %d", l.Ring().Key.Short(), l.Tries())
	}
	must(t, l.Done(t.Context()))
}

func canceled(t *testing.T, b Bench) {
	r := ringOf(queue.Overnight, 1)
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	for name, err := range map[string]error{
		"Submit": b.Submit(gone, r), "Withdraw": b.Withdraw(gone, r), "Lease": second(b.Lease(gone, engine, time.Hour)),
	} {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v, want context.Canceled", name, err)
		}
	}

	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	got := make(chan error, 1)
	go func() { got <- second(b.Lease(ctx, engine, time.Hour)) }()
	time.Sleep(b.LeaseTime / 4)
	cancel()
	select {
	case err := <-got:
		if !errors.Is(err, context.Canceled) {
			t.Errorf("Lease: %v, want context.Canceled", err)
		}
	case <-time.After(10 * b.LeaseTime):
		t.Fatal("Lease did not return when its context was done")
	}
	// What it still waited for is not swallowed.
	must(t, b.Submit(t.Context(), r))
	must(t, lease(t, b).Done(t.Context()))
}

func oddRings(t *testing.T, b Bench) {
	good := ringOf(queue.Rush, 1)
	for name, change := range map[string]func(*queue.Ring){
		"no engine":        func(r *queue.Ring) { r.Engine = "" },
		"engine of tokens": func(r *queue.Ring) { r.Engine = "a.b" },
		"engine of all":    func(r *queue.Ring) { r.Engine = ">" },
		"any engine":       func(r *queue.Ring) { r.Engine = "*" },
		"no class":         func(r *queue.Ring) { r.Class = "" },
		"other class":      func(r *queue.Ring) { r.Class = "rush.now" },
		"no key":           func(r *queue.Ring) { r.Key = "" },
		"any key":          func(r *queue.Ring) { r.Key = "*" },
		"capitals":         func(r *queue.Ring) { r.Key = pipeline.Digest(strings.ToUpper(string(r.Key))) },
	} {
		r := good
		change(&r)
		for op, err := range map[string]error{"Submit": b.Submit(t.Context(), r), "Withdraw": b.Withdraw(t.Context(), r)} {
			if pipeline.KindOf(err) != pipeline.Bug {
				t.Errorf("%s, %s: %v, want kind bug", name, op, err)
			}
		}
	}
	if _, err := b.Lease(t.Context(), "*", 0); pipeline.KindOf(err) != pipeline.Bug {
		t.Errorf("Lease of engine *: %v, want kind bug", err)
	}
}

func longHint(t *testing.T, b Bench) {
	r := ringOf(queue.Rush, 1)
	for n := range 5000 {
		r.With = append(r.With, ringOf(queue.Rush, n).Key)
	}
	must(t, b.Submit(t.Context(), r))
	l := lease(t, b)
	if with := l.Ring().With; len(with) < 200 || !slices.Equal(with, r.With[:len(with)]) {
		t.Errorf("%d keys came with it, want the first 200 at least", len(with))
	}
	must(t, l.Done(t.Context()))
}

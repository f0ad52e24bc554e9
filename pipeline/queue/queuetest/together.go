package queuetest

import (
	"context"
	"errors"
	"reflect"
	"sync"
	"testing"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

// many lets four workers handle 200 rings; some holders vanish, some retry.
func many(t *testing.T, b Bench) {
	const rings, workers = 200, 4
	for n := range rings {
		class := queue.Overnight
		if n%10 == 0 {
			class = queue.Rush
		}
		must(t, b.Submit(t.Context(), ringOf(class, n)))
	}
	var mu sync.Mutex
	handled, vanished, taken := map[pipeline.Digest]int{}, 0, 0
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for {
				l, err := b.Lease(t.Context(), engine, 2*b.LeaseTime)
				if errors.Is(err, queue.ErrEmpty) {
					return
				}
				if err != nil {
					t.Errorf("Lease: %v", err)
					return
				}
				mu.Lock()
				taken++
				turn := taken
				mu.Unlock()
				switch {
				case turn%23 == 0 && l.Tries() == 1:
					mu.Lock()
					vanished++
					mu.Unlock()
					continue
				case turn%17 == 0 && l.Tries() == 1:
					if err := l.Retry(t.Context(), 0); err != nil {
						t.Errorf("Retry: %v", err)
					}
					continue
				}
				mu.Lock()
				handled[l.Ring().Key]++
				mu.Unlock()
				if err := l.Done(t.Context()); err != nil && !errors.Is(err, queue.ErrLost) {
					t.Errorf("Done: %v", err)
				}
			}
		})
	}
	wg.Wait()
	if len(handled) != rings || vanished == 0 {
		t.Errorf("%d of %d rings handled, %d holders vanished", len(handled), rings, vanished)
	}
	expectEmpty(t, b, 0)
}

func events(t *testing.T, b Bench) {
	said := make([]queue.Event, 50)
	for n := range said {
		said[n] = queue.Event{Key: ringOf(queue.Rush, n).Key, Step: string(pipeline.StepFile), Progress: float64(n) / 50, Worker: "w-1"}
	}
	said[47] = queue.Event{Worker: "w-1", Beat: &queue.Beat{Engine: pipeline.NewEngine(map[string]int{"highpass": 1}, nil), Slots: 4, Busy: 3}}
	said[48].Failed = true
	said[49].Done = true
	b.Events.Say(said[0]) // nobody hears it

	var heard [2]chan queue.Event
	var stops [2]func()
	for i := range heard {
		heard[i] = make(chan queue.Event, 1000)
		stop, err := b.Events.Watch(func(e queue.Event) { heard[i] <- e })
		must(t, err)
		stops[i] = stop
	}
	for _, e := range said {
		b.Events.Say(e)
	}
	for i := range heard {
		for n, want := range said {
			select {
			case got := <-heard[i]:
				if !reflect.DeepEqual(got, want) {
					t.Fatalf("watcher %d heard %+v as number %d, want %+v", i, got, n, want)
				}
			case <-time.After(20 * b.LeaseTime):
				t.Fatalf("watcher %d heard %d of %d events", i, n, len(said))
			}
		}
	}
	stops[0]()
	b.Events.Say(said[7])
	if got := <-heard[1]; !reflect.DeepEqual(got, said[7]) {
		t.Errorf("heard %+v", got)
	}
	stops[1]()
	if len(heard[0]) != 0 {
		t.Error("a stopped watcher was told")
	}
}

func unwatched(t *testing.T, b Bench) {
	block := make(chan struct{})
	stop, err := b.Events.Watch(func(queue.Event) { <-block })
	must(t, err)
	for n := range 10_000 { // a watcher that hangs stops nobody
		b.Events.Say(queue.Event{Progress: float64(n) / 10_000})
	}
	close(block)
	stop()
}

// lease is a ring that comes within what a lease takes to run out, and some more.
func lease(t *testing.T, b Bench) queue.Lease {
	t.Helper()
	l, err := b.Lease(t.Context(), engine, 4*b.LeaseTime)
	if err != nil {
		t.Fatalf("Lease: %v", err)
	}
	return l
}

// again submits a ring whose Done was just said, until it comes: several
// servers may still be dropping it.
func again(t *testing.T, b Bench, r queue.Ring) queue.Lease {
	t.Helper()
	for range 20 {
		must(t, b.Submit(t.Context(), r))
		l, err := b.Lease(t.Context(), r.Engine, b.LeaseTime/4)
		if err == nil {
			return l
		}
	}
	t.Fatal("a ring that was done could not be submitted again")
	return nil
}

func expectEmpty(t *testing.T, b Bench, wait time.Duration) {
	t.Helper()
	l, err := b.Lease(t.Context(), engine, wait)
	if err == nil {
		t.Fatalf("leased %s (try %d), want ErrEmpty", l.Ring().Key.Short(), l.Tries())
	}
	if !errors.Is(err, queue.ErrEmpty) {
		t.Fatalf("Lease: %v, want ErrEmpty", err)
	}
}

type word struct {
	name string
	run  func(context.Context) error
}

func words(l queue.Lease) []word {
	return []word{
		{"Extend", l.Extend}, {"Retry", func(ctx context.Context) error { return l.Retry(ctx, 0) }}, {"Done", l.Done},
	}
}

func expectLost(t *testing.T, l queue.Lease) {
	t.Helper()
	for _, say := range words(l) {
		if err := say.run(t.Context()); !errors.Is(err, queue.ErrLost) {
			t.Errorf("%s after the lease: %v, want ErrLost", say.name, err)
		}
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func second[T any](_ T, err error) error { return err }

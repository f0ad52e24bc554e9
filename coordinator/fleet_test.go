package coordinator

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/queue"
	queuememory "chapterhouse/pipeline/queue/memory"
	"chapterhouse/pipeline/store"
)

// fleet is a world with several titles, served by Run and by hands that work
// and talk as workers do.
type fleet struct {
	*world
	events *queuememory.Events
	took   []queue.Ring  // in the order of their leases
	job    time.Duration // that each ring takes
	stop   []context.CancelFunc
	ended  chan struct{}
}

// newFleet is to be called in a bubble of time.
func newFleet(t *testing.T) *fleet {
	f := &fleet{world: newWorld(t), events: &queuememory.Events{}, job: time.Minute, ended: make(chan struct{}, 100)}
	t.Cleanup(func() {
		for _, stop := range f.stop {
			stop()
		}
		for range f.stop {
			<-f.ended
		}
	})
	return f
}

// book submits a title of its own with so many chapters.
func (f *fleet) book(slug string, chapters int, o Order) {
	f.t.Helper()
	title := f.sub.Title
	sub := f.sub
	sub.Title.Slug, sub.Title.Name = slug, slug
	sub.Title.Chapters, sub.Sources = nil, nil
	for n := 1; n <= chapters; n++ {
		path := fmt.Sprintf("%02d.flac", n)
		sub.Title.Chapters = append(sub.Title.Chapters, pipeline.TitleChapter{
			Number: n, Name: fmt.Sprintf("Chapter %d", n), Role: pipeline.RoleChapter,
			Parts: []pipeline.TitlePart{{File: path, Narrator: "ines", Setup: "booth"}},
		})
		sub.Sources = append(sub.Sources, f.upload(path, recording{seconds: 600 + dsp.Frames(n), speech: -24, booth: -66, contents: slug + path}))
	}
	f.sub.Title = title
	if _, err := Submit(f.t.Context(), f.store, sub, o); err != nil {
		f.t.Fatal(err)
	}
}

// serve starts a coordinator.
func (f *fleet) serve() *Coordinator {
	co := &Coordinator{Store: f.store, Queue: f.queue, Events: f.events, Engine: f.sub.Engine, Slots: 64, Checks: check.Builtin(), Log: zap.NewNop()}
	f.start(func(ctx context.Context) {
		if err := co.Run(ctx); err != nil {
			f.t.Error(err)
		}
	})
	return co
}

func (f *fleet) start(run func(context.Context)) context.CancelFunc {
	ctx, stop := context.WithCancel(f.t.Context())
	f.stop = append(f.stop, stop)
	go func() {
		defer func() { f.ended <- struct{}{} }()
		run(ctx)
	}()
	return stop
}

// hands is a worker of one engine with one slot.
func (f *fleet) hands(name string, e pipeline.Engine) context.CancelFunc {
	beats := f.start(func(ctx context.Context) {
		for ctx.Err() == nil {
			f.events.Say(queue.Event{Worker: name, Beat: &queue.Beat{Engine: e, Slots: 1}})
			wait(ctx, 5*time.Second)
		}
	})
	works := f.start(func(ctx context.Context) {
		for ctx.Err() == nil {
			lease, err := f.queue.Lease(ctx, e.ID(), 5*time.Second)
			if err != nil {
				continue
			}
			keys := append([]pipeline.Digest{lease.Ring().Key}, lease.Ring().With...)
			keys = slices.DeleteFunc(keys, func(k pipeline.Digest) bool { return f.there(commitName(k)) })
			if len(keys) == 0 { // rung for once more just when it was done
				if err := lease.Done(ctx); err != nil {
					f.t.Error(err)
				}
				continue
			}
			f.mu.Lock()
			f.took = append(f.took, lease.Ring())
			f.mu.Unlock()
			for left := f.job; left > 0 && ctx.Err() == nil; left -= 20 * time.Second {
				wait(ctx, min(left, 20*time.Second))
				if err := lease.Extend(ctx); err != nil && !errors.Is(err, queue.ErrLost) && ctx.Err() == nil {
					f.t.Error(err)
				}
			}
			if ctx.Err() != nil {
				return
			}
			for _, key := range keys {
				var r pipeline.Recipe
				if err := store.ReadJSON(ctx, f.store, recipeName(key), &r); err != nil {
					f.t.Errorf("rung for what is not written down: %v", err)
				}
				f.commit(r)
				f.events.Say(queue.Event{Key: key, Done: true, Worker: name})
			}
			if err := lease.Done(ctx); err != nil && !errors.Is(err, queue.ErrLost) {
				f.t.Error(err)
			}
		}
	})
	return func() { beats(); works() }
}

func wait(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

// stand waits until titles stand, and tells after how long each did.
func (f *fleet) stand(within time.Duration, titles ...string) map[string]time.Duration {
	f.t.Helper()
	begun, stood := time.Now(), map[string]time.Duration{}
	for len(stood) < len(titles) {
		if time.Since(begun) > within {
			f.t.Fatalf("after %v only %v stand", within, slices.Sorted(maps.Keys(stood)))
		}
		time.Sleep(time.Second)
		synctest.Wait() // what happens in the same instant is done
		for _, title := range titles {
			if s := read[pipeline.TitleState](f.world, titleName(title)); s.Standing == s.Wanted && stood[title] == 0 {
				stood[title] = time.Since(begun)
			}
		}
	}
	return stood
}

// Package worker answers rings: it takes a lease, puts a job's inputs into a
// folder, has a child process do the work under limits, and commits what came
// out. It knows recipes, not titles, and touches no audio itself.
package worker

import (
	"context"
	"errors"
	"sync"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"

	"go.uber.org/zap"
)

// Worker runs Slots jobs at a time. Its fields are set once, before Run.
type Worker struct {
	Store   store.Store
	Queue   queue.Queue
	Events  queue.Events
	Engine  string   // pipeline.Engine.ID of this build
	Child   []string // program and first arguments; the job's folder is added
	Scratch string   // folder for job folders, on a disk with room for a chapter as float64
	Slots   int
	Memory  int // MiB a child may allocate
	Name    string
	Log     *zap.Logger
	// News is called after something changed in the store: a commit or a
	// failure. It may be nil.
	News func()
}

const (
	leaseWait  = 5 * time.Second  // how long one look for a ring lasts
	beat       = 15 * time.Second // between heartbeats, and only while the child moves
	stuckAfter = 5 * time.Minute  // without progress a child is killed
	retryAfter = time.Second      // times the square of the try
)

// Run works until ctx ends; children in hand are killed then.
func (w *Worker) Run(ctx context.Context) {
	var slots sync.WaitGroup
	for range w.Slots {
		slots.Go(func() {
			for ctx.Err() == nil {
				lease, err := w.Queue.Lease(ctx, w.Engine, leaseWait)
				switch {
				case err == nil:
					w.answer(ctx, lease)
				case !errors.Is(err, queue.ErrEmpty) && ctx.Err() == nil:
					w.Log.Warn("no lease", zap.Error(err))
					pause(ctx, time.Second)
				}
			}
		})
	}
	slots.Wait()
}

// answer looks at one ring's keys and sees them through.
func (w *Worker) answer(ctx context.Context, lease queue.Lease) {
	ring := lease.Ring()
	log := w.Log.With(zap.String("key", ring.Key.Short()), zap.Int("try", lease.Tries()))
	recipes, err := w.missing(ctx, ring)
	if err == nil && len(recipes) > 0 {
		err = w.work(ctx, lease, recipes)
		if w.News != nil {
			defer w.News()
		}
	}
	if ctx.Err() != nil {
		return // the lease runs out by itself and the ring comes back
	}
	if err != nil {
		log.Warn("try failed", zap.Error(err))
		tries := time.Duration(lease.Tries())
		if err := lease.Retry(ctx, tries*tries*retryAfter); err != nil {
			log.Warn("retry not told", zap.Error(err))
		}
		return
	}
	// Commit, then ack: the results were read back.
	if err := lease.Done(ctx); err != nil {
		log.Warn("done not told; the commit decides", zap.Error(err))
	}
}

// missing is the recipes of a ring that have no result yet.
func (w *Worker) missing(ctx context.Context, ring queue.Ring) ([]pipeline.Recipe, error) {
	var recipes []pipeline.Recipe
	for _, key := range append([]pipeline.Digest{ring.Key}, ring.With...) {
		if !key.Valid() {
			return nil, pipeline.Errorf(pipeline.Bug, "ring", "%q is no key", key)
		}
		there := false
		for _, name := range []string{"commits/" + string(key) + ".json", "quarantine/" + string(key) + ".json"} {
			_, err := w.Store.Stat(ctx, name)
			if err == nil {
				there = true
			} else if !errors.Is(err, store.ErrAbsent) {
				return nil, err
			}
		}
		if there {
			continue
		}
		r, err := w.recipe(ctx, key)
		if err != nil {
			return nil, err
		}
		recipes = append(recipes, r)
	}
	return recipes, nil
}

func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

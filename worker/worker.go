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
	// Beat is the time between extensions of a lease, 15 s where it is 0. It
	// is well under the queue's lease time.
	Beat time.Duration
	// StuckAfter is how long a job may stand still, 5 min where it is 0. A
	// child that says nothing for longer is killed.
	StuckAfter time.Duration
	// News is called after something changed in the store: a commit or a
	// failure. It may be nil.
	News func()
	// Trouble is called with what is the machine's fault and no job's, as a
	// full disk: such tries are repeated without end. It may be nil.
	Trouble func(error)
}

const (
	leaseWait  = 5 * time.Second // how long one look for a ring lasts
	beat       = 15 * time.Second
	stuckAfter = 5 * time.Minute
	retryAfter = time.Second     // times the square of the try
	byeWait    = 5 * time.Second // for the queue to hear of a stop
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
	log := w.Log.With(zap.String("ring", ring.Key.Short()), zap.Int("try", lease.Tries()))
	p := &pulse{stuckAfter: w.StuckAfter}
	if p.stuckAfter == 0 {
		p.stuckAfter = stuckAfter
	}
	recipes, about, err := w.missing(ctx, ring)
	if err == nil && len(recipes) > 0 {
		about, err = w.work(ctx, lease, p, recipes)
		if w.News != nil {
			defer w.News()
		}
	}
	if err != nil && ctx.Err() == nil {
		kind := pipeline.KindOf(err)
		log.Warn("try failed", zap.String("key", about.Short()), zap.String("kind", string(kind)), zap.Error(err))
		// A strike against the key. What will pass by itself is none, and
		// would only heap up.
		if kind == pipeline.Infra && w.Trouble != nil {
			w.Trouble(err)
		}
		if kind != pipeline.Infra && about.Valid() {
			if err := w.note(ctx, about, ".err.json", pipeline.Failure{Kind: kind, Text: err.Error()}); err != nil {
				log.Warn("strike not noted", zap.Error(err))
			}
		}
	}
	if p.lost.Load() {
		return // the ring is in other hands
	}
	switch tries := time.Duration(lease.Tries()); {
	case ctx.Err() != nil:
		// Stopped, which is no fault of the job: the next may have it at once.
		bye, stop := context.WithTimeout(context.WithoutCancel(ctx), byeWait)
		defer stop()
		_ = lease.Retry(bye, 0)
	case err != nil && !w.committed(ctx, ring.Key):
		if err := lease.Retry(ctx, tries*tries*retryAfter); err != nil {
			log.Warn("retry not told", zap.Error(err))
		}
	default:
		// Commit, then done: the ring's own key was read back. What failed
		// behind it gets a ring of its own.
		if err := lease.Done(ctx); err != nil {
			log.Warn("done not told; the commit decides", zap.Error(err))
		}
	}
}

// committed tells whether a key's result is known to stand.
func (w *Worker) committed(ctx context.Context, key pipeline.Digest) bool {
	_, err := w.Store.Stat(ctx, commitName(key))
	return err == nil
}

// missing is the recipes of a ring that have no result yet. Of an error it
// tells the key that it is about.
func (w *Worker) missing(ctx context.Context, ring queue.Ring) (recipes []pipeline.Recipe, about pipeline.Digest, err error) {
	for _, key := range append([]pipeline.Digest{ring.Key}, ring.With...) {
		if !key.Valid() {
			return nil, ring.Key, pipeline.Errorf(pipeline.Bug, "ring", "%q is no key", key)
		}
		there := false
		for _, name := range []string{commitName(key), "quarantine/" + string(key) + ".json"} {
			_, err := w.Store.Stat(ctx, name)
			if err == nil {
				there = true
			} else if !errors.Is(err, store.ErrAbsent) {
				return nil, key, err
			}
		}
		if there {
			continue
		}
		r, err := w.recipe(ctx, key)
		if err != nil {
			return nil, key, err
		}
		recipes = append(recipes, r)
	}
	return recipes, ring.Key, nil
}

func commitName(key pipeline.Digest) string { return "commits/" + string(key) + ".json" }

func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

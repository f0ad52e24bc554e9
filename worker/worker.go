// Package worker answers rings: it takes a lease, puts a job's inputs into a
// folder, has a child process do the work under limits, and commits what came
// out. It knows recipes, not titles, and touches no audio itself.
package worker

import (
	"context"
	"errors"
	"strings"
	"sync"
	"sync/atomic"
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
	Engine  pipeline.Engine // this build's
	Child   Child
	Scratch string // folder for job folders, on a disk with room for a chapter as float64
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
	// Trouble is called with what is the machine's fault and no job's, as a
	// full disk: such tries are repeated without end. It may be nil.
	Trouble func(error)
	// Ended is called after each ring that was answered, with what became of
	// it: "done", "found" (its results were there), "failed" (a strike),
	// "infra" (the machine's fault), "lost" (the lease was over before the job)
	// or "stopped". It may be nil.
	Ended func(outcome string, took time.Duration)

	busy atomic.Int64 // slots with a ring in hand
}

const (
	leaseWait  = 5 * time.Second // how long one look for a ring lasts
	beat       = 15 * time.Second
	stuckAfter = 5 * time.Minute
	retryAfter = time.Second     // times the square of the try
	byeWait    = 5 * time.Second // for the queue to hear of a stop
	sayEvery   = 5 * time.Second // between two beats
)

// Run works until ctx ends; children in hand are killed then.
func (w *Worker) Run(ctx context.Context) {
	var all sync.WaitGroup
	all.Go(func() { w.sayBeats(ctx) })
	engine := w.Engine.ID()
	for range w.Slots {
		all.Go(func() {
			for ctx.Err() == nil {
				lease, err := w.Queue.Lease(ctx, engine, leaseWait)
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
	all.Wait()
}

// Busy is how many slots have a ring in hand.
func (w *Worker) Busy() int { return int(w.busy.Load()) }

// sayBeats tells who watches what this worker can do, until ctx ends.
func (w *Worker) sayBeats(ctx context.Context) {
	for ctx.Err() == nil {
		w.Events.Say(queue.Event{Worker: w.Name, Beat: &queue.Beat{Engine: w.Engine, Slots: w.Slots, Busy: w.Busy()}})
		pause(ctx, sayEvery)
	}
}

// answer sees one ring through and tells what became of it.
func (w *Worker) answer(ctx context.Context, lease queue.Lease) {
	w.busy.Add(1)
	defer w.busy.Add(-1)
	began := time.Now()
	outcome := w.seeThrough(ctx, lease)
	if w.Ended != nil {
		w.Ended(outcome, time.Since(began))
	}
}

// seeThrough makes what a ring's keys miss and says the last word to its lease.
func (w *Worker) seeThrough(ctx context.Context, lease queue.Lease) (outcome string) {
	ring := lease.Ring()
	log := w.Log.With(zap.String("ring", ring.Key.Short()), zap.Int("try", lease.Tries()))
	p := &pulse{stuckAfter: w.StuckAfter}
	if p.stuckAfter == 0 {
		p.stuckAfter = stuckAfter
	}
	recipes, about, err := w.missing(ctx, ring)
	outcome = "found"
	if err == nil && len(recipes) > 0 {
		about, err = w.work(ctx, lease, p, recipes)
		outcome = "done"
	}
	if err != nil && ctx.Err() == nil {
		log.Warn("try failed", zap.String("key", about.Short()), zap.String("kind", string(pipeline.KindOf(err))), zap.Error(err))
		outcome = w.blame(ctx, log, about, err)
	}
	if p.lost.Load() {
		return "lost" // the ring is in other hands
	}
	switch tries := time.Duration(lease.Tries()); {
	case ctx.Err() != nil:
		// Stopped, which is no fault of the job: the next may have it at once.
		bye, stop := context.WithTimeout(context.WithoutCancel(ctx), byeWait)
		defer stop()
		_ = lease.Retry(bye, 0)
		outcome = "stopped"
	case err != nil && !w.committed(ctx, ring.Key) && !w.worn(ctx, about):
		if err := lease.Retry(ctx, tries*tries*retryAfter); err != nil && ctx.Err() == nil {
			log.Warn("retry not told", zap.Error(err))
		}
	default:
		// Commit, then done: the ring's own key was read back. What failed
		// behind it gets a ring of its own, and what failed too often none: a
		// coordinator gives it up, or nobody waits for it any more.
		if err := lease.Done(ctx); err != nil && ctx.Err() == nil {
			log.Warn("done not told; the commit decides", zap.Error(err))
		}
	}
	return outcome
}

// blame notes a strike against the key of a try that failed. What will pass by
// itself, and is the machine's, is none and would only heap up.
func (w *Worker) blame(ctx context.Context, log *zap.Logger, about pipeline.Digest, failed error) (outcome string) {
	kind := pipeline.KindOf(failed)
	if kind == pipeline.Infra {
		if w.Trouble != nil {
			w.Trouble(failed)
		}
		return "infra"
	}
	if about.Valid() {
		if err := w.note(ctx, about, failedTry, pipeline.Failure{Kind: kind, Text: failed.Error()}); err != nil {
			log.Warn("strike not noted", zap.Error(err))
		} else {
			w.Events.Say(queue.Event{Key: about, Failed: true, Worker: w.Name})
		}
	}
	return "failed"
}

// committed tells whether a key's result is known to stand.
func (w *Worker) committed(ctx context.Context, key pipeline.Digest) bool {
	_, err := w.Store.Stat(ctx, commitName(key))
	return err == nil
}

// worn tells whether a key is known to have failed as often as it may. A
// coordinator that died may have left its ring out, and then nobody else ends it.
func (w *Worker) worn(ctx context.Context, key pipeline.Digest) bool {
	if !key.Valid() {
		return false
	}
	failed := 0
	err := w.Store.List(ctx, "attempts/"+string(key)+"/", func(i store.Info) error {
		if strings.HasSuffix(i.Name, failedTry) {
			failed++
		}
		return nil
	})
	return err == nil && failed >= pipeline.Strikes
}

// missing is the recipes of a ring that have no result yet; none where the
// ring's own key is settled: once it was given up its chapter is a hole and
// nobody waits for the rest, and once it is made the rest has a ring of its
// own. Of an error it tells the key that it is about.
func (w *Worker) missing(ctx context.Context, ring queue.Ring) (recipes []pipeline.Recipe, about pipeline.Digest, err error) {
	for _, key := range append([]pipeline.Digest{ring.Key}, ring.With...) {
		if !key.Valid() {
			return nil, ring.Key, pipeline.Errorf(pipeline.Bug, "ring", "%q is no key", key)
		}
		made, err := w.there(ctx, commitName(key))
		if err != nil {
			return nil, key, err
		}
		given, err := w.there(ctx, "quarantine/"+string(key)+".json")
		switch {
		case err != nil:
			return nil, key, err
		case (made || given) && key == ring.Key:
			return nil, key, nil
		case made || given:
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

func (w *Worker) there(ctx context.Context, name string) (bool, error) {
	_, err := w.Store.Stat(ctx, name)
	if errors.Is(err, store.ErrAbsent) {
		return false, nil
	}
	return err == nil, err
}

// failedTry ends the names of notes on tries that failed.
const failedTry = ".err.json"

func commitName(key pipeline.Digest) string { return "commits/" + string(key) + ".json" }

func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

package worker

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/render"
	"chapterhouse/pipeline/store"

	"go.uber.org/zap"
)

// recipe reads a recipe and makes sure that it is the one its name says.
func (w *Worker) recipe(ctx context.Context, key pipeline.Digest) (pipeline.Recipe, error) {
	text, err := store.ReadObject(ctx, w.Store, "recipes/"+string(key)+".json")
	if errors.Is(err, store.ErrAbsent) {
		return pipeline.Recipe{}, pipeline.Errorf(pipeline.Missing, "recipe "+key.Short(), "%w", err)
	}
	if err != nil {
		return pipeline.Recipe{}, err
	}
	return parseRecipe(key, text)
}

// parseRecipe refuses a text that is not the recipe of a key, or is none that
// a child can do. Whoever can write to the store can write anything there.
func parseRecipe(key pipeline.Digest, text []byte) (r pipeline.Recipe, err error) {
	if pipeline.DigestOf(text) != key {
		return r, pipeline.Errorf(pipeline.Missing, "recipe "+key.Short(), "its bytes are not those of its name: remove recipes/%s.json from the store and run the title again with --again", key)
	}
	if err := json.Unmarshal(text, &r); err != nil {
		return r, pipeline.Errorf(pipeline.Bug, "recipe "+key.Short(), "%w", err)
	}
	again, err := pipeline.Canonical(r)
	if err != nil {
		return r, pipeline.Errorf(pipeline.Bug, "recipe "+key.Short(), "%w", err)
	}
	if pipeline.DigestOf(again) != key {
		return r, pipeline.Errorf(pipeline.Bug, "recipe "+key.Short(), "another build wrote it: what this one reads of it is not all of it")
	}
	if !whole(r) {
		return r, pipeline.Errorf(pipeline.Bug, "recipe "+key.Short(), "it is none of a step that a child does: %q", r.Step)
	}
	return r, nil
}

// whole tells whether a recipe is of a step that a child does, and has what
// that step needs and nothing of another.
func whole(r pipeline.Recipe) bool {
	has := map[pipeline.Step]bool{
		pipeline.StepIntake: r.Intake != nil, pipeline.StepSurvey: r.Survey != nil, pipeline.StepProfile: r.Profile != nil, pipeline.StepWeigh: r.Weigh != nil,
		pipeline.StepFile: r.File != nil, pipeline.StepCheck: r.Check != nil,
	}
	for step, there := range has {
		if there != (step == r.Step) {
			return false
		}
	}
	return has[r.Step] && r.Fit == nil && r.Level == nil
}

// drain is how long what a child had finished may take to commit when the
// worker is stopped.
const drain = 10 * time.Second

// work does recipes in a child and commits what came out, also when the child
// died on a later one of them. Of an error it tells the key that it is about.
func (w *Worker) work(ctx context.Context, lease queue.Lease, p *pulse, recipes []pipeline.Recipe) (about pipeline.Digest, err error) {
	about = recipes[0].Key()
	beating, stop := context.WithCancel(ctx)
	ended := make(chan struct{})
	p.kill = func(error) {}
	go func() {
		defer close(ended)
		w.beat(beating, lease, p)
	}()
	defer func() {
		stop()
		<-ended
	}()
	dir, err := os.MkdirTemp(w.Scratch, "job-")
	if err != nil {
		return about, folderError(err)
	}
	defer func() {
		if err := os.RemoveAll(dir); err != nil {
			w.Log.Warn("a job's folder is left", zap.Error(err))
		}
	}()
	var limits pipeline.JobLimits
	err = p.during(ctx, func(ctx context.Context) (err error) {
		limits, about, err = w.fill(ctx, p, dir, recipes)
		return err
	})
	if err != nil {
		return about, err
	}
	// Written before a byte is decoded: it stays, whatever becomes of us.
	err = p.during(ctx, func(ctx context.Context) error {
		return w.note(ctx, about, ".json", map[string]string{"worker": w.Name})
	})
	if err != nil {
		return about, err
	}
	failure := p.during(ctx, func(ctx context.Context) error {
		err := w.Child(ctx, dir, limits, func(l Line) { w.hear(p, l) })
		if errors.Is(context.Cause(ctx), errStuck) {
			return pipeline.Errorf(pipeline.Crash, "", "no progress for %v: the child was stopped", p.stuckAfter)
		}
		return err
	})
	finish := ctx
	if ctx.Err() != nil {
		var stop context.CancelFunc
		finish, stop = context.WithTimeout(context.WithoutCancel(ctx), drain)
		defer stop()
	}
	made := recipes
	for i, r := range recipes {
		if _, gone := os.Stat(render.CommitPath(dir, r.Key())); gone == nil {
			continue
		}
		// The first without a result is the one it failed on. A child that died
		// when all was done is none of our business.
		made, about, err = recipes[:i], r.Key(), failure
		if failure == nil {
			err = pipeline.Errorf(pipeline.Bug, "", "the child ended well and left no result")
		}
		break
	}
	// The ring's own key comes last: as long as it is missing, what is rung for
	// the chapter is this ring, and nobody is sent to make what is about to be here.
	for _, r := range slices.Backward(made) {
		failed := p.during(finish, func(ctx context.Context) error { return w.commit(ctx, p, dir, r.Key()) })
		if failed != nil {
			about, err = r.Key(), failed
			continue
		}
		w.Events.Say(queue.Event{Key: r.Key(), Step: string(r.Step), Progress: 1, Done: true, Worker: w.Name})
	}
	return about, err
}

// hear takes in what a child says: a key it knows is progress, and keeps the lease.
func (w *Worker) hear(p *pulse, l Line) {
	if !l.Key.Valid() {
		return
	}
	p.move()
	w.Events.Say(queue.Event{Key: l.Key, Step: string(l.Step), Progress: l.Part, Worker: w.Name})
}

// note writes one object about a try of a key.
func (w *Worker) note(ctx context.Context, key pipeline.Digest, ending string, v any) error {
	return store.CreateJSON(ctx, w.Store, "attempts/"+string(key)+"/"+strings.ToLower(rand.Text())+ending, v)
}

// fill lays a job's folder out: inputs, and job.json with the limits that it
// returns. about is the key that an error is about, else the first recipe's.
func (w *Worker) fill(ctx context.Context, p *pulse, dir string, recipes []pipeline.Recipe) (limits pipeline.JobLimits, about pipeline.Digest, err error) {
	about = recipes[0].Key()
	if err := os.Mkdir(filepath.Join(dir, "in"), 0o755); err != nil {
		return limits, about, folderError(err)
	}
	job := pipeline.Job{Recipes: recipes, Limits: pipeline.JobLimits{MemoryMiB: w.Memory}}
	var bytes int64
	laid := map[pipeline.Digest]bool{}
	for _, r := range recipes {
		for _, blob := range r.Inputs() {
			if laid[blob] {
				continue
			}
			laid[blob] = true
			n, err := w.lay(ctx, p, blob, render.InputPath(dir, blob))
			if err != nil {
				return limits, r.Key(), err
			}
			bytes += n
		}
	}
	job.Limits.CPUSeconds = cpuLimit(bytes, len(recipes))
	text, err := json.Marshal(job)
	if err != nil {
		return limits, about, pipeline.Errorf(pipeline.Bug, "job", "%w", err)
	}
	if err := os.WriteFile(filepath.Join(dir, render.JobFile), text, 0o644); err != nil {
		return limits, about, folderError(err)
	}
	return job.Limits, about, nil
}

// cpuLimit is generous: FLAC at its densest holds a second of audio in about
// 20 kB, a step takes a tenth of real time at worst, and a slow machine ten
// times that.
func cpuLimit(inputBytes int64, recipes int) int {
	return 120 + int(inputBytes/20_000)*recipes
}

// lay puts a blob into a job's folder, a link where store and folder share a
// disk, a copy elsewhere, and makes sure that it is whole: a fault found in
// damaged bytes would be kept as the source's own. It returns the blob's size.
func (w *Worker) lay(ctx context.Context, p *pulse, blob pipeline.Digest, path string) (int64, error) {
	if !blob.Valid() {
		return 0, pipeline.Errorf(pipeline.Bug, "job", "%q is no digest", blob)
	}
	name := store.BlobName(blob)
	got, n, err := w.bring(ctx, p, name, path)
	switch {
	case errors.Is(err, store.ErrAbsent):
		return n, pipeline.Errorf(pipeline.Missing, "", "%w: run the title again with --again", err)
	case err != nil:
		return n, err
	case got != blob:
		return n, pipeline.Errorf(pipeline.Missing, name, "%w: remove it from the store and run the title again with --again", store.ErrDamaged)
	}
	return n, nil
}

// bring links or copies an object and digests what is then there.
func (w *Worker) bring(ctx context.Context, p *pulse, name, path string) (got pipeline.Digest, n int64, err error) {
	if local, ok := w.Store.(store.Local); ok {
		if from, err := local.Path(name); err == nil && os.Link(from, path) == nil {
			f, err := os.Open(path)
			if err != nil {
				return "", 0, folderError(err)
			}
			defer f.Close()
			return pipeline.DigestReader(moving{f, p})
		}
	}
	from, err := w.Store.Get(ctx, name, 0, -1)
	if err != nil {
		return "", 0, err
	}
	defer from.Close()
	to, err := os.Create(path)
	if err != nil {
		return "", 0, folderError(err)
	}
	got, n, err = pipeline.DigestReader(moving{io.TeeReader(from, folderWriter{to}), p})
	if closed := to.Close(); err == nil && closed != nil {
		err = folderError(closed)
	}
	return got, n, err
}

// folderError is what to do when a job's folder can't be written.
func folderError(err error) error {
	return pipeline.Errorf(pipeline.Infra, "job folder", "%w: see that the disk of the scratch folder can be written and has room", err)
}

// folderWriter tells the folder's errors from the store's.
type folderWriter struct{ io.Writer }

func (f folderWriter) Write(b []byte) (int, error) {
	n, err := f.Writer.Write(b)
	if err != nil {
		err = folderError(err)
	}
	return n, err
}

// commit puts a recipe's blobs into the store, then its commit, and reads it
// back. The first commit of a key stands, whoever made it. What the child left
// and can't stand is of kind Bug.
func (w *Worker) commit(ctx context.Context, p *pulse, dir string, key pipeline.Digest) error {
	text, err := os.ReadFile(render.CommitPath(dir, key))
	if err != nil {
		return pipeline.Errorf(pipeline.Infra, "commit "+key.Short(), "%w", err)
	}
	var c pipeline.Commit
	if err := json.Unmarshal(text, &c); err != nil {
		return pipeline.Errorf(pipeline.Bug, "commit "+key.Short(), "the child left no commit: %w", err)
	}
	if c.Key != key {
		return pipeline.Errorf(pipeline.Bug, "commit "+key.Short(), "the child left the commit of %.64q", c.Key)
	}
	for _, out := range c.Files {
		if err := w.keep(ctx, p, dir, out.Blob); err != nil {
			return err
		}
	}
	name := commitName(key)
	if err := store.CreateJSON(ctx, w.Store, name, c); err != nil && !errors.Is(err, store.ErrConflict) {
		return err
	}
	// Read back: what stands there is the result, ours or an earlier one.
	var stands pipeline.Commit
	return store.ReadJSON(ctx, w.Store, name, &stands)
}

// keep puts a blob that the child left into the store.
func (w *Worker) keep(ctx context.Context, p *pulse, dir string, blob pipeline.Digest) error {
	op := "output " + blob.Short()
	if !blob.Valid() {
		return pipeline.Errorf(pipeline.Bug, op, "%q is no digest", blob)
	}
	f, err := os.Open(render.OutputPath(dir, blob))
	if errors.Is(err, os.ErrNotExist) {
		return pipeline.Errorf(pipeline.Bug, op, "the child did not leave it: %w", err)
	}
	if err != nil {
		return pipeline.Errorf(pipeline.Infra, op, "%w", err)
	}
	defer f.Close()
	err = w.Store.Put(ctx, blob, movingFile{f, p})
	if errors.Is(err, store.ErrDamaged) {
		return pipeline.Errorf(pipeline.Bug, op, "what the child left is something else: %w", err)
	}
	return err
}

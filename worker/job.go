package worker

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/render"
	"chapterhouse/pipeline/store"

	"go.uber.org/zap"
)

// recipe reads a recipe and makes sure that it is the one its name says.
func (w *Worker) recipe(ctx context.Context, key pipeline.Digest) (pipeline.Recipe, error) {
	var r pipeline.Recipe
	text, err := store.ReadObject(ctx, w.Store, "recipes/"+string(key)+".json")
	if err != nil {
		return r, err
	}
	if pipeline.DigestOf(text) != key {
		return r, pipeline.Errorf(pipeline.Missing, "recipe "+key.Short(), "its bytes are not those of its name")
	}
	if err := json.Unmarshal(text, &r); err != nil {
		return r, pipeline.Errorf(pipeline.Bug, "recipe "+key.Short(), "%w", err)
	}
	return r, nil
}

// work does recipes in a child and commits what came out, also when the child
// died on a later one of them.
func (w *Worker) work(ctx context.Context, lease queue.Lease, recipes []pipeline.Recipe) error {
	first := recipes[0].Key()
	try := strings.ToLower(rand.Text())
	if err := w.note(ctx, first, try+".json", map[string]string{"worker": w.Name}); err != nil {
		return err
	}
	dir, err := os.MkdirTemp(w.Scratch, "job-")
	if err != nil {
		return pipeline.Errorf(pipeline.Infra, "scratch folder", "%w", err)
	}
	defer os.RemoveAll(dir)
	if err := w.fill(ctx, dir, recipes); err != nil {
		return err
	}
	failure := w.child(ctx, lease, dir, recipes)
	blamed := first
	for _, r := range recipes {
		key := r.Key()
		err := w.commit(ctx, dir, key)
		if errors.Is(err, os.ErrNotExist) {
			blamed = key // the first without a result is the one that failed
			break
		}
		if err != nil {
			return err
		}
	}
	if failure == nil {
		return nil
	}
	if ctx.Err() != nil {
		return ctx.Err() // cut off by a person, not by a fault of the job
	}
	kind := pipeline.KindOf(failure)
	w.Log.Warn("child failed", zap.String("key", blamed.Short()), zap.String("kind", string(kind)), zap.Error(failure))
	if err := w.note(ctx, blamed, try+".err.json", pipeline.Failure{Kind: kind, Text: failure.Error()}); err != nil {
		return errors.Join(failure, err)
	}
	return failure
}

// note writes one object about a try.
func (w *Worker) note(ctx context.Context, key pipeline.Digest, name string, v any) error {
	return store.CreateJSON(ctx, w.Store, "attempts/"+string(key)+"/"+name, v)
}

// fill lays a job's folder out: inputs, and job.json.
func (w *Worker) fill(ctx context.Context, dir string, recipes []pipeline.Recipe) error {
	if err := os.Mkdir(filepath.Join(dir, "in"), 0o755); err != nil {
		return pipeline.Errorf(pipeline.Infra, "job folder", "%w", err)
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
			n, err := w.lay(ctx, blob, render.InputPath(dir, blob))
			if err != nil {
				return err
			}
			bytes += n
		}
	}
	job.Limits.CPUSeconds = cpuLimit(bytes, len(recipes))
	text, err := json.Marshal(job)
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "job", "%w", err)
	}
	if err := os.WriteFile(filepath.Join(dir, render.JobFile), text, 0o644); err != nil {
		return pipeline.Errorf(pipeline.Infra, "job folder", "%w", err)
	}
	return nil
}

// cpuLimit is generous: FLAC at its densest holds a second of audio in about
// 20 kB, a step takes a tenth of real time at worst, and a slow machine ten
// times that.
func cpuLimit(inputBytes int64, recipes int) int {
	return 120 + int(inputBytes/20_000)*recipes
}

// lay puts a blob into a job's folder: a link where store and folder share a
// disk, a copy elsewhere. It returns the blob's size.
func (w *Worker) lay(ctx context.Context, blob pipeline.Digest, path string) (int64, error) {
	name := store.BlobName(blob)
	if local, ok := w.Store.(store.Local); ok {
		if from, err := local.Path(name); err == nil && os.Link(from, path) == nil {
			info, err := os.Stat(path)
			if err != nil {
				return 0, pipeline.Errorf(pipeline.Infra, "job folder", "%w", err)
			}
			return info.Size(), nil
		}
	}
	from, err := w.Store.Get(ctx, name, 0, -1)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", name, err)
	}
	defer from.Close()
	to, err := os.Create(path)
	if err != nil {
		return 0, pipeline.Errorf(pipeline.Infra, "job folder", "%w", err)
	}
	got, n, err := pipeline.DigestReader(io.TeeReader(from, to))
	if err = errors.Join(err, to.Close()); err != nil {
		return n, pipeline.Errorf(pipeline.Infra, "job folder", "%w", err)
	}
	if got != blob {
		return n, pipeline.Errorf(pipeline.Missing, name, "%w", store.ErrDamaged)
	}
	return n, nil
}

// commit puts a recipe's blobs into the store, then its commit, and reads it
// back. The first commit of a key stands, whoever made it. os.ErrNotExist when
// the child left none.
func (w *Worker) commit(ctx context.Context, dir string, key pipeline.Digest) error {
	text, err := os.ReadFile(render.CommitPath(dir, key))
	if err != nil {
		return err
	}
	var c pipeline.Commit
	if err := json.Unmarshal(text, &c); err != nil || c.Key != key {
		return pipeline.Errorf(pipeline.Bug, "commit "+key.Short(), "the child left no commit of this key: %v", err)
	}
	for _, out := range c.Files {
		if !out.Blob.Valid() {
			return pipeline.Errorf(pipeline.Bug, "commit "+key.Short(), "%q is no digest", out.Blob)
		}
		f, err := os.Open(render.OutputPath(dir, out.Blob))
		if err != nil {
			return pipeline.Errorf(pipeline.Bug, "commit "+key.Short(), "%w", err)
		}
		err = w.Store.Put(ctx, out.Blob, f)
		f.Close()
		if err != nil {
			return err
		}
	}
	name := "commits/" + string(key) + ".json"
	if err := store.CreateJSON(ctx, w.Store, name, c); err != nil && !errors.Is(err, store.ErrConflict) {
		return err
	}
	// Read back: what stands there is the result, ours or an earlier one.
	return store.ReadJSON(ctx, w.Store, name, &c)
}

package simulation

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/render"
	"chapterhouse/worker"
)

// saysEvery is how often a child says how far it is.
const saysEvery = 8 * time.Second

// child makes a job's results up from its recipes alone. It takes its time,
// and fails as real ones do.
func (p *process) child(ctx context.Context, dir string, limits pipeline.JobLimits, hear func(worker.Line)) error {
	text, err := os.ReadFile(filepath.Join(dir, render.JobFile))
	if err != nil {
		return pipeline.Errorf(pipeline.Infra, "job", "%w", err)
	}
	var j pipeline.Job
	if err := json.Unmarshal(text, &j); err != nil {
		return pipeline.Errorf(pipeline.Bug, "job", "%w", err)
	}
	if err := os.Mkdir(filepath.Join(dir, "out"), 0o755); err != nil {
		return pipeline.Errorf(pipeline.Infra, "job", "%w", err)
	}
	p.w.count(func(t *Tally) { t.Children++ })
	one := job{dir, p.w.now(), j.Recipes, hear}
	for _, r := range j.Recipes {
		switch err := p.make(ctx, one, r); {
		case err == errNothing:
			return nil
		case err != nil:
			return err
		}
	}
	return nil
}

// job is what a child works on.
type job struct {
	dir     string
	began   time.Duration
	recipes []pipeline.Recipe
	hear    func(worker.Line)
}

// errNothing is a child that ends well and leaves no result.
var errNothing = errors.New("nothing is left")

// make is one recipe's work.
func (p *process) make(ctx context.Context, j job, r pipeline.Recipe) error {
	w, key := p.w, r.Key()
	dice := w.next("make " + string(key))
	n := w.judge.begins(p, key, j.began)
	takes := between(dice, time.Second, 20*time.Second)
	if dice.IntN(20) == 0 {
		takes = between(dice, time.Minute, 4*time.Minute)
	}
	ill := w.illness(r, n, dice)
	w.note(p.id, "make", key.Short(), fmt.Sprintf("%s try %d %s", r.Step, n, ill))
	for done := time.Duration(0); done < takes; done += saysEvery {
		if err := w.sleep(ctx, min(saysEvery, takes-done)); err != nil {
			return err
		}
		if err := p.gate("make " + key.Short()); err != nil {
			return err
		}
		j.hear(worker.Line{Key: key, Step: r.Step, Part: float64(done) / float64(takes)})
		if ill != well && done >= takes/2 {
			break
		}
	}
	switch ill {
	case crashes:
		w.judge.fails(p, key)
		return pipeline.Errorf(pipeline.Crash, "", "the child died: signal killed")
	case hangs:
		w.judge.fails(p, key)
		for _, r := range j.recipes { // its lease runs out long before it is stopped
			w.judge.forks(r.Key())
		}
		<-ctx.Done()
		return ctx.Err()
	case leavesNothing:
		w.judge.fails(p, key)
		return errNothing
	case noMachine:
		return pipeline.Errorf(pipeline.Infra, "job", "no space left on device")
	}
	c, err := w.result(r)
	if err != nil {
		return err
	}
	c.Cost = pipeline.Cost{CPUS: float64(dice.IntN(1e6)) / 1e3, AudioS: 10} // no two tries take the same
	for i := range c.Files {
		audio := audioOf(key)
		c.Files[i] = pipeline.Output{Role: "audio", Blob: pipeline.DigestOf(audio), Bytes: int64(len(audio))}
		if err := os.WriteFile(render.OutputPath(j.dir, c.Files[i].Blob), audio, 0o644); err != nil {
			return pipeline.Errorf(pipeline.Infra, "job", "%w", err)
		}
	}
	text, err := json.Marshal(c)
	if err != nil {
		return err
	}
	if err := os.WriteFile(render.CommitPath(j.dir, key), text, 0o644); err != nil {
		return pipeline.Errorf(pipeline.Infra, "job", "%w", err)
	}
	w.judge.ends(p, key)
	j.hear(worker.Line{Key: key, Step: r.Step, Part: 1})
	return nil
}

// illness is how a try fails.
type illness string

const (
	well          illness = ""
	crashes       illness = "crashes"
	hangs         illness = "hangs"
	leavesNothing illness = "leaves nothing"
	noMachine     illness = "no machine"
)

// healing is how many tries of a key that is not poisoned fail at most by
// their own fault: one less than what it is given up after.
const healing = 2

// illness of a recipe's n-th try.
func (w *world) illness(r pipeline.Recipe, n int, dice *rand.Rand) illness {
	own := []illness{crashes, crashes, leavesNothing, hangs}[dice.IntN(4)]
	chance, machine := dice.Float64(), dice.IntN(4) == 0
	switch {
	case w.poisoned(r):
		return own
	case chance >= w.shape.fail || w.now() > w.shape.quiet:
		return well
	case machine:
		return noMachine
	case n <= healing:
		return own
	}
	return well
}

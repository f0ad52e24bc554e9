// Package render makes results: it takes a job's folder, runs each recipe's
// step over the audio that lies in it, and leaves commits and blobs there.
// It knows folders, not stores or brokers, and is used alike by workers and by
// whatever wants one result at once.
package render

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"syscall"

	"chapterhouse/pipeline"
)

// Progress is told how far a recipe's step is, 0 to 1.
type Progress func(key pipeline.Digest, step pipeline.Step, part float64)

// Paths within a job's folder.
const (
	JobFile    = "job.json"
	inFolder   = "in"
	outFolder  = "out"
	tempFolder = "temp"
)

// InputPath is where a blob lies for the steps to read.
func InputPath(dir string, blob pipeline.Digest) string {
	return filepath.Join(dir, inFolder, string(blob))
}

// CommitPath is where the commit of a recipe is left.
func CommitPath(dir string, key pipeline.Digest) string {
	return filepath.Join(dir, outFolder, string(key)+".json")
}

// OutputPath is where a blob of a commit is left.
func OutputPath(dir string, blob pipeline.Digest) string {
	return filepath.Join(dir, outFolder, string(blob))
}

// Do makes every recipe of j in dir, in order, and returns their commits; each
// commit is also written to its CommitPath as soon as it is done, so that a
// death in mid-job loses only what was not finished. A source that can't be
// used is a commit with a Fault; an error means that nothing can be said.
func Do(ctx context.Context, dir string, j pipeline.Job, say Progress) ([]pipeline.Commit, error) {
	for _, sub := range []string{outFolder, tempFolder} {
		if err := os.MkdirAll(filepath.Join(dir, sub), 0o755); err != nil {
			return nil, pipeline.Errorf(pipeline.Infra, "job folder", "%w", err)
		}
	}
	if say == nil {
		say = func(pipeline.Digest, pipeline.Step, float64) {}
	}
	b := &bench{ctx: ctx, dir: dir, job: j, say: say}
	defer b.close()
	var commits []pipeline.Commit
	for _, r := range j.Recipes {
		if err := ctx.Err(); err != nil {
			return commits, err
		}
		c, err := b.make(r)
		if err != nil {
			return commits, err
		}
		if err := writeCommit(dir, c); err != nil {
			return commits, err
		}
		commits = append(commits, c)
	}
	return commits, nil
}

// bench is where one job is worked on.
type bench struct {
	ctx  context.Context
	dir  string
	job  pipeline.Job
	say  Progress
	pass *chainPass      // the last chain pass, kept for siblings
	key  pipeline.Digest // of the recipe at hand
	step pipeline.Step
}

func (b *bench) close() {
	if b.pass != nil {
		b.pass.close()
	}
}

// make makes one recipe's commit.
func (b *bench) make(r pipeline.Recipe) (pipeline.Commit, error) {
	b.key, b.step = r.Key(), r.Step
	before := processorTime()
	var (
		record any
		files  []pipeline.Output
		audioS float64
		err    error
	)
	switch r.Step {
	case pipeline.StepIntake:
		record, audioS, err = b.intake(*r.Intake)
	case pipeline.StepSurvey:
		record, audioS, err = b.survey(*r.Survey)
	case pipeline.StepProfile:
		record, files, audioS, err = b.profile(*r.Profile)
	case pipeline.StepWeigh:
		record, audioS, err = b.weigh(*r.Weigh)
	case pipeline.StepFile:
		record, files, audioS, err = b.file(*r.File)
	case pipeline.StepCheck:
		record, audioS, err = b.check(*r.Check)
	default:
		err = pipeline.Errorf(pipeline.Bug, "", "no step is called %q here", r.Step)
	}
	c := pipeline.Commit{Key: b.key, Step: r.Step, Files: files}
	var fault *pipeline.Error
	switch {
	case errors.As(err, &fault) && fault.Kind == pipeline.Source:
		c.Fault = fault.Err.Error()
	case err != nil:
		return c, err
	default:
		if c.Record, err = pipeline.Canonical(record); err != nil {
			return c, pipeline.Errorf(pipeline.Bug, "record of "+string(r.Step), "%w", err)
		}
	}
	c.Cost = pipeline.Cost{CPUS: processorTime() - before, AudioS: audioS}
	b.progress(1)
	return c, nil
}

// progress says how far the recipe at hand is.
func (b *bench) progress(part float64) { b.say(b.key, b.step, part) }

func (b *bench) name(blob pipeline.Digest) string {
	if n := b.job.Names[blob]; n != "" {
		return n
	}
	return blob.Short()
}

func (b *bench) temp(name string) string { return filepath.Join(b.dir, tempFolder, name) }

func writeCommit(dir string, c pipeline.Commit) error {
	text, err := json.Marshal(c)
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "commit", "%w", err)
	}
	path := CommitPath(dir, c.Key)
	if err := os.WriteFile(path+".part", text, 0o644); err != nil {
		return pipeline.Errorf(pipeline.Infra, "commit", "%w", err)
	}
	if err := os.Rename(path+".part", path); err != nil {
		return pipeline.Errorf(pipeline.Infra, "commit", "%w", err)
	}
	return nil
}

// processorTime is the processor time of this process and of the programs it
// has run so far, seconds.
func processorTime() float64 {
	var sum float64
	for _, who := range []int{syscall.RUSAGE_SELF, syscall.RUSAGE_CHILDREN} {
		var u syscall.Rusage
		if syscall.Getrusage(who, &u) == nil {
			sum += float64(u.Utime.Sec+u.Stime.Sec) + float64(u.Utime.Usec+u.Stime.Usec)/1e6
		}
	}
	return sum
}

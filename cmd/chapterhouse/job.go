package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime/debug"
	"syscall"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/render"
	"chapterhouse/worker"

	"github.com/spf13/cobra"
)

func jobCommand() *cobra.Command {
	return &cobra.Command{
		Use:    "job FOLDER",
		Short:  "Do one job in a folder (what workers start)",
		Hidden: true,
		Args:   exactly(1, "the job's folder"),
		RunE: func(c *cobra.Command, args []string) error {
			say := lines(c.OutOrStdout())
			err := doJob(c, args[0], say)
			if err != nil {
				say(worker.Line{Failed: &pipeline.Failure{Kind: pipeline.KindOf(err), Text: err.Error()}})
			}
			return err
		},
	}
}

// jobChild is this program as the child that does jobs.
func jobChild() (worker.Child, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, pipeline.Errorf(pipeline.Infra, "start children", "%w", err)
	}
	return worker.Program(self, "job"), nil
}

func doJob(c *cobra.Command, dir string, say func(worker.Line)) error {
	text, err := os.ReadFile(filepath.Join(dir, render.JobFile))
	if err != nil {
		return pipeline.Errorf(pipeline.Infra, "job", "%w", err)
	}
	var j pipeline.Job
	if err := json.Unmarshal(text, &j); err != nil {
		return pipeline.Errorf(pipeline.Bug, "job", "%w", err)
	}
	if err := limit(j.Limits); err != nil {
		return pipeline.Errorf(pipeline.Infra, "job limits", "%w", err)
	}
	var last time.Time
	_, err = render.Do(c.Context(), dir, j, func(key pipeline.Digest, step pipeline.Step, part float64) {
		if now := time.Now(); part >= 1 || now.Sub(last) > 200*time.Millisecond {
			last = now
			say(worker.Line{Key: key, Step: step, Part: math.Round(part*1000) / 1000})
		}
	})
	return err
}

// limit bounds this process: what a hostile file makes it allocate or compute
// ends here. RLIMIT_DATA, since RLIMIT_AS counts the address space that the
// runtime only reserves.
func limit(l pipeline.JobLimits) error {
	if l.MemoryMiB > 0 {
		bytes := uint64(l.MemoryMiB) << 20
		debug.SetMemoryLimit(int64(bytes) * 3 / 4)
		if err := syscall.Setrlimit(syscall.RLIMIT_DATA, &syscall.Rlimit{Cur: bytes, Max: bytes}); err != nil {
			return fmt.Errorf("memory: %w", err)
		}
	}
	debug.SetGCPercent(50) // buffers are few and long-lived: small beats fast here
	if l.CPUSeconds > 0 {
		s := uint64(l.CPUSeconds)
		if err := syscall.Setrlimit(syscall.RLIMIT_CPU, &syscall.Rlimit{Cur: s, Max: s + 5}); err != nil {
			return fmt.Errorf("processor time: %w", err)
		}
	}
	return nil
}

// lines writes one JSON object a line.
func lines(w io.Writer) func(worker.Line) {
	enc := json.NewEncoder(w)
	return func(l worker.Line) { _ = enc.Encode(l) } // nobody listens: the work still counts
}

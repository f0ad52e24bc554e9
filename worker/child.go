package worker

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"syscall"
	"time"

	"chapterhouse/pipeline"
)

// A Line is what a child says on its standard output, one JSON object a line:
// progress, or at the end why it failed.
type Line struct {
	Key    pipeline.Digest   `json:"key,omitempty"`
	Step   pipeline.Step     `json:"step,omitempty"`
	Part   float64           `json:"part,omitempty"`
	Failed *pipeline.Failure `json:"failed,omitempty"`
}

const (
	maxLine   = 64 << 10
	maxStderr = 4096
	// lastWords is how long a dead child's output is waited for: a program it
	// had started may hold it open.
	lastWords = 2 * time.Second
)

// A Child does the job that is laid out in a folder (see pipeline.Job) within
// limits, and tells hear meanwhile what moves, from one goroutine at a time. It
// returns when it is over with all that it started, at the latest soon after
// ctx ends; its error is of kind Crash where it died of the job.
type Child func(ctx context.Context, dir string, limits pipeline.JobLimits, hear func(Line)) error

// Program is children that are processes: a program with its first arguments,
// to which the folder is added. It says Lines on its standard output and sets
// the limits itself.
func Program(program string, args ...string) Child {
	return func(ctx context.Context, dir string, limits pipeline.JobLimits, hear func(Line)) error {
		cmd := exec.CommandContext(ctx, program, append(slices.Clone(args), dir)...)
		// A group of its own, so that the programs a child runs die with it; and
		// no child outlives this process, however that ends.
		cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
		cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
		cmd.WaitDelay = lastWords
		cmd.Env = append(environment(), "TMPDIR="+dir)
		said := &listener{tell: hear}
		stderr := &firstWords{limit: maxStderr}
		cmd.Stdout, cmd.Stderr = said, stderr
		if err := cmd.Start(); err != nil {
			return pipeline.Errorf(pipeline.Infra, "start child", "%w", err)
		}
		err := cmd.Wait()
		// What a dead child had started works for nobody.
		_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
		switch {
		case said.failed != nil:
			return pipeline.Errorf(said.failed.Kind, "", "%s", said.failed.Text)
		case err == nil || errors.Is(err, exec.ErrWaitDelay):
			return nil
		}
		used := cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
		if used >= time.Duration(limits.CPUSeconds)*time.Second && limits.CPUSeconds > 0 {
			return pipeline.Errorf(pipeline.Crash, "", "the child died: it used up the %d s of processor time it may use", limits.CPUSeconds)
		}
		return pipeline.Errorf(pipeline.Crash, "", "the child died: %s", reason(err, stderr.String(), peakMiB(cmd.ProcessState), limits.MemoryMiB))
	}
}

// environment is this process's without the service's settings: among them are
// secrets, and whoever decodes a stranger's file needs none.
func environment() []string {
	return slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "CHAPTERHOUSE_") })
}

// listener takes a child's lines: it passes progress on and keeps what the
// child says of its failure. What is no such line, or too long for one, is
// nothing that moves.
type listener struct {
	tell   func(Line)
	line   []byte
	long   bool // the rest of a line that is too long is dropped
	failed *pipeline.Failure
}

func (l *listener) Write(b []byte) (int, error) {
	for rest := b; len(rest) > 0; {
		piece, after, ended := bytes.Cut(rest, []byte("\n"))
		rest = after
		if l.long = l.long || len(l.line)+len(piece) > maxLine; !l.long {
			l.line = append(l.line, piece...)
		}
		if !ended {
			break
		}
		if !l.long {
			l.hear(l.line)
		}
		l.line, l.long = l.line[:0], false
	}
	return len(b), nil
}

func (l *listener) hear(line []byte) {
	var said Line
	if json.Unmarshal(line, &said) != nil {
		return
	}
	if said.Failed == nil {
		l.tell(said)
		return
	}
	if l.failed = said.Failed; l.failed.Kind == "" {
		l.failed.Kind = pipeline.Bug
	}
}

// peakMiB is the most memory that a process that ended had in use, as the
// kernel counted it.
func peakMiB(p *os.ProcessState) int {
	if u, ok := p.SysUsage().(*syscall.Rusage); ok {
		return int(u.Maxrss >> 10)
	}
	return 0
}

// nearLimit is from which part of its memory on a child that died without a
// word is told to have been near the limit: a runtime without memory can't
// always print that it has none.
const nearLimit = 0.75

// reason says in one line how a child died.
func reason(err error, stderr string, peakMiB, limitMiB int) string {
	why := err.Error()
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		if ws, ok := exit.Sys().(syscall.WaitStatus); ok && ws.Signaled() {
			why = "signal " + ws.Signal().String()
		}
	}
	for _, line := range strings.Split(stderr, "\n") {
		line = strings.TrimSpace(line)
		switch {
		case strings.Contains(line, "out of memory") || strings.Contains(line, "cannot allocate memory"):
			return "it ran out of the memory it may use"
		case strings.HasPrefix(line, "panic:") || strings.HasPrefix(line, "fatal error:"):
			return fmt.Sprintf("%s (%s)", why, line)
		}
	}
	if limitMiB > 0 && float64(peakMiB) >= nearLimit*float64(limitMiB) {
		return fmt.Sprintf("%s, with %d MiB of memory in use of the %d it may use", why, peakMiB, limitMiB)
	}
	return why
}

// firstWords keeps the first bytes written to it: a crash says what it is at the start.
type firstWords struct {
	buf   bytes.Buffer
	limit int
}

func (t *firstWords) Write(p []byte) (int, error) {
	if room := t.limit - t.buf.Len(); room > 0 {
		t.buf.Write(p[:min(room, len(p))])
	}
	return len(p), nil
}

func (t *firstWords) String() string { return t.buf.String() }

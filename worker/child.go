package worker

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"

	"go.uber.org/zap"
)

// A Line is what a child says on its standard output, one JSON object a line:
// progress, or at the end why it failed.
type Line struct {
	Key    pipeline.Digest   `json:"key,omitempty"`
	Step   pipeline.Step     `json:"step,omitempty"`
	Part   float64           `json:"part,omitempty"`
	Failed *pipeline.Failure `json:"failed,omitempty"`
}

// child runs `chapterhouse job DIR` and waits for it. The lease is extended
// only while the child moves; one that stands still is killed.
func (w *Worker) child(ctx context.Context, lease queue.Lease, dir string, recipes []pipeline.Recipe) error {
	ctx, kill := context.WithCancelCause(ctx)
	defer kill(nil)
	args := append(append([]string{}, w.Child[1:]...), dir)
	cmd := exec.CommandContext(ctx, w.Child[0], args...)
	// A group of its own, so that the programs a child runs die with it; and
	// nobody outlives this process, however that ends.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.Env = append(os.Environ(), "TMPDIR="+dir)
	stderr := &firstWords{limit: 4096}
	cmd.Stderr = stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return pipeline.Errorf(pipeline.Infra, "start child", "%w", err)
	}
	if err := cmd.Start(); err != nil {
		return pipeline.Errorf(pipeline.Infra, "start child", "%w", err)
	}
	var moved atomic.Int64
	moved.Store(time.Now().UnixNano())
	watch := make(chan struct{})
	go func() {
		defer close(watch)
		w.heartbeat(ctx, lease, &moved, kill)
	}()
	said := w.listen(out, &moved)
	err = cmd.Wait()
	cause := context.Cause(ctx)
	kill(nil)
	<-watch
	switch {
	case err == nil:
		return nil
	case errors.Is(cause, errStuck):
		return pipeline.Errorf(pipeline.Crash, "", "no progress for %v: the child was stopped", stuckAfter)
	case said != nil:
		return pipeline.Errorf(said.Kind, "", "%s", said.Text)
	}
	return pipeline.Errorf(pipeline.Crash, "", "the child died: %s", reason(err, stderr.String()))
}

var errStuck = errors.New("stuck")

// heartbeat extends the lease while the child moves, and stops a child that does not.
func (w *Worker) heartbeat(ctx context.Context, lease queue.Lease, moved *atomic.Int64, kill context.CancelCauseFunc) {
	t := time.NewTicker(beat)
	defer t.Stop()
	var last int64
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		now := moved.Load()
		if time.Since(time.Unix(0, now)) > stuckAfter {
			kill(errStuck)
			return
		}
		if now == last {
			continue
		}
		last = now
		if err := lease.Extend(ctx); err != nil && ctx.Err() == nil {
			w.Log.Warn("lease not extended", zap.Error(err))
		}
	}
}

// listen passes a child's progress on and returns what it said of its failure.
func (w *Worker) listen(out io.Reader, moved *atomic.Int64) (failed *pipeline.Failure) {
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 64<<10)
	for lines.Scan() {
		var l Line
		if json.Unmarshal(lines.Bytes(), &l) != nil {
			continue
		}
		moved.Store(time.Now().UnixNano())
		if l.Failed != nil {
			failed = l.Failed
			continue
		}
		w.Events.Say(queue.Event{Key: l.Key, Step: string(l.Step), Progress: l.Part, Done: l.Part >= 1, Worker: w.Name})
	}
	_, _ = io.Copy(io.Discard, out) // a line past the buffer: let the child go on
	return failed
}

// reason says in one line how a child died.
func reason(err error, stderr string) string {
	why := err.Error()
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		if ws, ok := exit.Sys().(syscall.WaitStatus); ok && ws.Signaled() {
			why = "signal " + ws.Signal().String()
			if ws.Signal() == syscall.SIGXCPU {
				why = "it used up its processor time"
			}
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

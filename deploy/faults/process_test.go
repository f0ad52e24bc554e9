package faults

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// family is a shell whose child leads a process group of its own and counts.
func family(t *testing.T) (*Process, func() int) {
	dir := t.TempDir()
	file := filepath.Join(dir, "count")
	script := `set -m; (while :; do echo x >>` + file + `; sleep 0.02; done) & while :; do sleep 0.1; done`
	p, err := Start(Command{Name: "family", Dir: dir, Args: []string{"bash", "-c", script}})
	must(t, err)
	t.Cleanup(p.Kill)
	count := func() int {
		text, _ := os.ReadFile(file)
		return len(text) / 2
	}
	grows(t, count, true)
	return p, count
}

func grows(t *testing.T, count func() int, want bool) {
	t.Helper()
	from := count()
	limit := time.Minute
	if !want {
		limit = 200 * time.Millisecond
	}
	for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if count() > from+2 {
			if !want {
				t.Error("the child lives on")
			}
			return
		}
	}
	if want {
		t.Error("the child stands still")
	}
}

// TestProcessReachesAll: a signal reaches children in other process groups.
func TestProcessReachesAll(t *testing.T) {
	p, count := family(t)
	if p.Children() == 0 {
		t.Error("no child is seen")
	}
	p.Stop()
	grows(t, count, false)
	p.Continue()
	grows(t, count, true)
	p.Kill()
	grows(t, count, false)
	if p.Running() || p.Children() != 0 {
		t.Errorf("it runs on: %v", session(p.PID()))
	}
}

func TestProcessEnds(t *testing.T) {
	dir := t.TempDir()
	p, err := Start(Command{Name: "deaf", Dir: dir, Args: []string{"bash", "-c", `trap "" TERM; echo "I stay"; while :; do sleep 0.05; done`}})
	must(t, err)
	must(t, await(t.Context(), time.Minute, "it speaks", func() (bool, error) { return strings.Contains(p.Says(), "I stay"), nil }))
	ctx, stop := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer stop()
	if err := p.End(ctx); err == nil || p.Running() {
		t.Errorf("a deaf process ends with %v, running %t", err, p.Running())
	}
	p, err = Start(Command{Name: "good", Dir: dir, Env: []string{"WORD=salt"}, Args: []string{"bash", "-c", `trap 'echo "$WORD"; exit 0' TERM; echo up; while :; do sleep 0.05; done`}})
	must(t, err)
	must(t, await(t.Context(), time.Minute, "it speaks", func() (bool, error) { return strings.Contains(p.Says(), "up"), nil }))
	if mib, err := p.PeakMiB(); err != nil || mib <= 0 || mib > 100 {
		t.Errorf("a shell has held %v MiB, %v", mib, err)
	}
	p.Stop()
	if err := p.End(t.Context()); err != nil || !strings.Contains(p.Says(), "salt") {
		t.Errorf("asked while it was frozen it ends with %v: %s", err, p.Says())
	}
}

package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// A site is where a proof works: a temporary folder, and the programs built
// from the checkout.
type site struct {
	order
	dir string // removed at the end
	log io.Writer
}

func newSite(o order, log io.Writer) (*site, error) {
	root, err := filepath.Abs(o.root)
	if err != nil {
		return nil, err
	}
	o.root = root
	if _, err := os.Stat(filepath.Join(root, "go.mod")); err != nil {
		return nil, fmt.Errorf("%s is no checkout of this repository (%w): run deploy/prove.sh, or this program from the repository's folder", root, err)
	}
	dir, err := os.MkdirTemp("", "proof-")
	if err != nil {
		return nil, err
	}
	return &site{order: o, dir: dir, log: log}, nil
}

func (s *site) close() {
	if err := os.RemoveAll(s.dir); err != nil {
		fmt.Fprintln(s.log, "prove:", err)
	}
}

// say tells a waiting person what goes on.
func (s *site) say(format string, args ...any) { fmt.Fprintf(s.log, "… "+format+"\n", args...) }

func (s *site) path(names ...string) string {
	return filepath.Join(append([]string{s.dir}, names...)...)
}

// build compiles a package of the checkout and returns the program's path.
func (s *site) build(ctx context.Context, pkg string) (string, error) {
	out := s.path("bin", filepath.Base(pkg))
	cmd := exec.CommandContext(ctx, "go", "build", "-o", out, pkg)
	cmd.Dir = s.root
	if text, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("go build %s: %w\n%s", pkg, err, text)
	}
	return out, nil
}

// need wants outside programs.
func need(programs ...string) error {
	for _, p := range programs {
		if _, err := exec.LookPath(p); err != nil {
			return fmt.Errorf("the %s program is not on PATH: install it", p)
		}
	}
	return nil
}

// A ran program: what it wrote, and the processor time of it and of every
// process it started and waited for.
type ran struct {
	stdout, stderr []byte
	cpuS           float64
	userS          float64 // of cpuS, outside of the kernel
}

// call runs a program to its end; watch, if any, is given its process id
// meanwhile and is told by done when to stop.
func call(ctx context.Context, watch func(pid int, done <-chan struct{}), program string, args ...string) (ran, error) {
	cmd := exec.CommandContext(ctx, program, args...)
	// Asked to stop, a night takes its children with it.
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) }
	cmd.WaitDelay = 10 * time.Second
	var out, said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &said
	if err := cmd.Start(); err != nil {
		return ran{}, err
	}
	done, watched := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(watched)
		if watch != nil {
			watch(cmd.Process.Pid, done)
		}
	}()
	err := cmd.Wait()
	close(done)
	<-watched
	r := ran{stdout: out.Bytes(), stderr: said.Bytes()}
	if p := cmd.ProcessState; p != nil {
		r.userS = p.UserTime().Seconds()
		r.cpuS = r.userS + p.SystemTime().Seconds()
	}
	if err != nil {
		return r, fmt.Errorf("%s: %w\n%s", filepath.Base(program), err, lastLines(said.String(), 5))
	}
	return r, nil
}

func lastLines(text string, n int) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(lines[max(0, len(lines)-n):], "\n")
}

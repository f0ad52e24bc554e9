package faults

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// A Process is a program that runs until it is ended. It leads a session of
// its own: whatever it starts belongs to it, in whichever process group.
type Process struct {
	Name string
	log  string // file of what it says
	cmd  *exec.Cmd
	done chan struct{}
	err  error // once done is closed

	reaping sync.Mutex // held while the number is given free, or used
	mu      sync.Mutex
	stopped bool // frozen
	wanted  bool // somebody has ended it
}

// A Command is what a Process is started from.
type Command struct {
	Name  string // for people, and of the log
	Space *Space // its network; nil: this machine's
	Args  []string
	Env   []string // over this process's
	Dir   string   // for the log
}

// Start starts a program. A second of the same name adds to the same log.
func Start(c Command) (*Process, error) {
	p := &Process{Name: c.Name, log: filepath.Join(c.Dir, c.Name+".log"), done: make(chan struct{})}
	log, err := os.OpenFile(p.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return nil, err
	}
	defer log.Close()
	args := c.Args
	if c.Space != nil {
		args = c.Space.inside(args)
	}
	p.cmd = exec.Command(args[0], args[1:]...)
	p.cmd.Env = append(os.Environ(), c.Env...)
	p.cmd.Stdout, p.cmd.Stderr = log, log
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Pdeathsig: syscall.SIGKILL}
	if err := p.cmd.Start(); err != nil {
		return nil, fmt.Errorf("start %s: %w", c.Name, err)
	}
	go func() {
		p.err = p.reap()
		close(p.done)
	}()
	return p, nil
}

// reap waits for the end, ends what is left of the session, and only then
// gives the process's number free: another may get it, and a signal by it.
func (p *Process) reap() error {
	for {
		err := unix.Waitid(unix.P_PID, p.PID(), nil, unix.WEXITED|unix.WNOWAIT, nil)
		if !errors.Is(err, unix.EINTR) {
			break
		}
	}
	p.signal(syscall.SIGKILL)
	p.reaping.Lock()
	defer p.reaping.Unlock()
	return p.cmd.Wait()
}

// PID is the process's number.
func (p *Process) PID() int { return p.cmd.Process.Pid }

// Done is closed when the process has ended.
func (p *Process) Done() <-chan struct{} { return p.done }

// Running tells whether the process has not ended.
func (p *Process) Running() bool {
	select {
	case <-p.done:
		return false
	default:
		return true
	}
}

// Kill ends it and all it has started, as a machine that loses power does.
func (p *Process) Kill() {
	p.want()
	p.signalRunning(syscall.SIGKILL)
	<-p.done
}

// Stop freezes it and all it has started, as a machine that is paused.
func (p *Process) Stop() {
	p.mu.Lock()
	p.stopped = true
	p.mu.Unlock()
	p.signalRunning(syscall.SIGSTOP)
}

// Continue lets it go on.
func (p *Process) Continue() {
	p.mu.Lock()
	p.stopped = false
	p.mu.Unlock()
	p.signalRunning(syscall.SIGCONT)
}

// End asks it to end, waits for that, and returns what it ended with.
func (p *Process) End(ctx context.Context) error {
	p.mu.Lock()
	stopped := p.stopped
	p.wanted = true
	p.mu.Unlock()
	if stopped {
		p.Continue()
	}
	_ = p.cmd.Process.Signal(syscall.SIGTERM) // an error says that it has ended
	select {
	case <-p.done:
		return p.err
	case <-ctx.Done():
		p.Kill()
		return fmt.Errorf("%s did not end when it was asked to", p.Name)
	}
}

func (p *Process) want() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.wanted = true
}

// killed tells whether somebody has ended it.
func (p *Process) killed() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.wanted
}

// Says is what it has said last, for errors.
func (p *Process) Says() string {
	text, err := os.ReadFile(p.log)
	if err != nil {
		return err.Error()
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	return strings.Join(lines[max(0, len(lines)-8):], "\n")
}

// Everything is all that it has said.
func (p *Process) Everything() string {
	text, err := os.ReadFile(p.log)
	if err != nil {
		return err.Error()
	}
	return string(text)
}

// signalRunning signals while the process's number is its own.
func (p *Process) signalRunning(s syscall.Signal) {
	p.reaping.Lock()
	defer p.reaping.Unlock()
	if p.cmd.ProcessState == nil {
		p.signal(s)
	}
}

// signal reaches every process of the session.
func (p *Process) signal(s syscall.Signal) {
	for _, pid := range session(p.PID()) {
		_ = syscall.Kill(pid, s)
	}
}

// session lists the processes of a session that still live, its leader first.
func session(leader int) []int {
	pids := []int{}
	entries, err := os.ReadDir("/proc")
	if err != nil {
		return pids
	}
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		// Z is dead: only its parent has not asked yet.
		if f := stat(pid); len(f) > 3 && f[3] == strconv.Itoa(leader) && f[0] != "Z" {
			if pid == leader {
				pids = append([]int{pid}, pids...)
			} else {
				pids = append(pids, pid)
			}
		}
	}
	return pids
}

// stat is a process's /proc line from its state on (proc(5), /proc/pid/stat,
// field 3): state, parent, group, session, …
func stat(pid int) []string {
	text, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(pid), "stat"))
	if err != nil {
		return nil
	}
	return strings.Fields(string(text[bytes.LastIndexByte(text, ')')+1:]))
}

// Children is how many processes it has started that still run.
func (p *Process) Children() int {
	if !p.Running() {
		return 0
	}
	return max(0, len(session(p.PID()))-1)
}

// PeakMiB is the most memory that the process itself has held at a time.
func (p *Process) PeakMiB() (float64, error) {
	text, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(p.PID()), "status"))
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(text)) {
		if f := strings.Fields(line); len(f) == 3 && f[0] == "VmHWM:" {
			kib, err := strconv.ParseFloat(f[1], 64)
			return kib / 1024, err
		}
	}
	return 0, fmt.Errorf("the kernel does not say how much memory %s has held", p.Name)
}

// await polls until something holds, or says what was waited for.
func await(ctx context.Context, limit time.Duration, what string, holds func() (bool, error)) error {
	ctx, stop := context.WithTimeout(ctx, limit)
	defer stop()
	for {
		ok, err := holds()
		if err != nil {
			return fmt.Errorf("%s: %w", what, err)
		}
		if ok {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("%s: not within %v", what, limit)
		case <-time.After(20 * time.Millisecond):
		}
	}
}

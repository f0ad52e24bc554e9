package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"chapterhouse/pipeline"
)

// patience is how long a script waits for what must happen; nothing is proven
// by how fast it does.
const patience = 60 * time.Second

// cmdKilled runs the program, waits until so many commits are in the store, or
// until a file is there, and sends a signal. What the program wrote is left in
// killed.out and killed.err, how it ended in killed.exit: its exit code, or
// the signal's name.
//
//	killed KILL|INT COMMITS|FILE STORE ARGUMENT…
func cmdKilled(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 4 {
		ts.Fatalf("usage: killed KILL|INT COMMITS|FILE STORE ARGUMENT…")
	}
	signal := map[string]syscall.Signal{"KILL": syscall.SIGKILL, "INT": syscall.SIGINT}[args[0]]
	store := ts.MkAbs(args[2])
	reached := func() bool {
		_, err := os.Stat(ts.MkAbs(args[1]))
		return err == nil
	}
	if commits, err := strconv.Atoi(args[1]); err == nil {
		reached = func() bool {
			there, _ := os.ReadDir(filepath.Join(store, "commits"))
			return len(there) >= commits
		}
	}
	var out, errs bytes.Buffer
	cmd := exec.Command(filepath.Join(programs, "chapterhouse"), args[3:]...)
	cmd.Dir, cmd.Stdout, cmd.Stderr = ts.MkAbs("."), &out, &errs
	cmd.Env = append(os.Environ(), "PATH="+ts.Getenv("PATH"), "WORK="+ts.Getenv("WORK"))
	ts.Check(cmd.Start())
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	var err error
	for end := time.Now().Add(patience); ; time.Sleep(time.Millisecond) {
		if reached() {
			ts.Check(cmd.Process.Signal(signal))
			err = <-ended
			break
		}
		select {
		case <-ended:
			ts.Fatalf("it ended before %s was reached:\n%s", args[1], errs.String())
		default:
		}
		if time.Now().After(end) {
			_ = cmd.Process.Kill()
			ts.Fatalf("%s was not reached:\n%s", args[1], errs.String())
		}
	}
	how := "0"
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		how = strconv.Itoa(exit.ExitCode())
		if ws, ok := exit.Sys().(syscall.WaitStatus); ok && ws.Signaled() {
			how = ws.Signal().String()
		}
	}
	for name, text := range map[string]string{"killed.out": out.String(), "killed.err": errs.String(), "killed.exit": how + "\n"} {
		ts.Check(os.WriteFile(ts.MkAbs(name), []byte(text), 0o644))
	}
	done := committed(ts, store)
	for _, step := range counted {
		ts.Setenv("DONE_"+string(step), strconv.Itoa(done[step]))
	}
}

// counted are the steps that the report counts.
var counted = []pipeline.Step{pipeline.StepProfile, pipeline.StepWeigh, pipeline.StepFile}

// committed counts the results in a store by their step.
func committed(ts *testscript.TestScript, store string) map[pipeline.Step]int {
	n := map[pipeline.Step]int{}
	names, err := filepath.Glob(filepath.Join(store, "commits", "*.json"))
	ts.Check(err)
	for _, name := range names {
		text, err := os.ReadFile(name)
		ts.Check(err)
		var c pipeline.Commit
		ts.Check(json.Unmarshal(text, &c))
		n[c.Step]++
	}
	return n
}

// cmdResumed holds a report against what was there when the program was
// killed: what was committed then was taken, all else was made, and both
// together are the title's.
//
//	resumed REPORT PROFILES WEIGHS FILES
func cmdResumed(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 4 {
		ts.Fatalf("usage: resumed REPORT PROFILES WEIGHS FILES")
	}
	var rep struct {
		Work struct{ Profiled, Weighed, Rendered, Taken int }
	}
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[0])), &rep))
	taken := 0
	for i, made := range []int{rep.Work.Profiled, rep.Work.Weighed, rep.Work.Rendered} {
		done, err := strconv.Atoi(ts.Getenv("DONE_" + string(counted[i])))
		ts.Check(err)
		all, err := strconv.Atoi(args[1+i])
		ts.Check(err)
		taken += done
		if made != all-done {
			ts.Fatalf("%s: %d made where %d of %d were there already", counted[i], made, done, all)
		}
	}
	ts.Logf("taken %d, made %+v", taken, rep.Work)
	if rep.Work.Taken != taken {
		ts.Fatalf("%d taken from the store where %d were there", rep.Work.Taken, taken)
	}
}

// cmdUntil waits until a file is there.
//
//	until FILE
func cmdUntil(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: until FILE")
	}
	for end := time.Now().Add(patience); ; time.Sleep(time.Millisecond) {
		if _, err := os.Stat(ts.MkAbs(args[0])); err == nil {
			return
		}
		if time.Now().After(end) {
			ts.Fatalf("%s never came", args[0])
		}
	}
}

// cmdGone waits until no process that was started for a store is left: those
// whose arguments or environment name its folder.
//
//	gone STORE
func cmdGone(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: gone STORE")
	}
	store := ts.MkAbs(args[0])
	for end := time.Now().Add(patience); ; time.Sleep(10 * time.Millisecond) {
		left := working(store)
		if len(left) == 0 {
			return
		}
		if time.Now().After(end) {
			for pid := range left {
				_ = syscall.Kill(pid, syscall.SIGKILL)
			}
			ts.Fatalf("these still run: %v", left)
		}
	}
}

// working are the processes whose arguments or environment name a folder.
func working(folder string) map[int]string {
	left := map[int]string{}
	processes, _ := filepath.Glob("/proc/[0-9]*")
	for _, dir := range processes {
		arguments, _ := os.ReadFile(filepath.Join(dir, "cmdline"))
		environment, _ := os.ReadFile(filepath.Join(dir, "environ"))
		if len(arguments) > 0 && strings.Contains(string(arguments)+string(environment), folder) {
			if pid, err := strconv.Atoi(filepath.Base(dir)); err == nil {
				left[pid] = strings.ReplaceAll(string(arguments), "\x00", " ")
			}
		}
	}
	return left
}

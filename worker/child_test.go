package worker

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/render"
)

// The test binary is its own child: `worker.test child MODE DIR`.
func TestMain(m *testing.M) {
	if len(os.Args) == 4 && os.Args[1] == "child" {
		beChild(os.Args[2], os.Args[3])
		return
	}
	// A child built with -race would sleep for a second at its end.
	check(os.Setenv("GORACE", "atexit_sleep_ms=0"))
	goleak.VerifyTestMain(m)
}

// beChild does a job's recipes in order. A mode "what@n" does the first n of
// them well and then what; "what" alone is what@0.
func beChild(mode, dir string) {
	what, after, _ := strings.Cut(mode, "@")
	n, _ := strconv.Atoi(after)
	text, err := os.ReadFile(filepath.Join(dir, render.JobFile))
	check(err)
	var j pipeline.Job
	check(json.Unmarshal(text, &j))
	check(os.MkdirAll(filepath.Join(dir, "out"), 0o755))
	say := json.NewEncoder(os.Stdout)
	for i, r := range j.Recipes {
		for _, in := range r.Inputs() {
			_, err := os.ReadFile(render.InputPath(dir, in))
			check(err)
		}
		line := Line{Key: r.Key(), Step: r.Step, Part: 0.5}
		check(say.Encode(line))
		if i >= n {
			misbehave(what, dir, j, r, say)
		}
		leave(dir, pipeline.Commit{Key: r.Key(), Step: r.Step, Record: json.RawMessage(`{"made":"by the child"}`)}, "audio of "+string(r.Key()))
		line.Part = 1
		check(say.Encode(line))
	}
	if what == "late" { // all is done, and then it dies
		panic("too late to matter")
	}
}

// misbehave is what a child may do instead of, or before, a recipe's work.
func misbehave(what, dir string, j pipeline.Job, r pipeline.Recipe, say *json.Encoder) {
	c := pipeline.Commit{Key: r.Key(), Step: r.Step}
	switch what {
	case "well", "late":
	case "panic":
		panic("a slice of the wrong length")
	case "exit":
		os.Exit(3)
	case "kill":
		check(syscall.Kill(os.Getpid(), syscall.SIGKILL))
		select {}
	case "memory":
		limit := uint64(j.Limits.MemoryMiB) << 20
		check(syscall.Setrlimit(syscall.RLIMIT_DATA, &syscall.Rlimit{Cur: limit, Max: limit}))
		var all [][]byte
		for {
			b := make([]byte, 16<<20)
			for i := 0; i < len(b); i += 4096 {
				b[i] = 1
			}
			all = append(all, b)
			runtime.KeepAlive(all)
		}
	case "cpu":
		check(syscall.Setrlimit(syscall.RLIMIT_CPU, &syscall.Rlimit{Cur: 1, Max: 2}))
		for n := 0; ; n++ { // spins
		}
	case "hang":
		select {}
	case "slow": // moves, but takes its time
		for i := range 12 {
			time.Sleep(50 * time.Millisecond)
			check(say.Encode(Line{Key: r.Key(), Step: r.Step, Part: float64(i) / 20}))
		}
	case "chatter": // words that are no progress
		for {
			time.Sleep(10 * time.Millisecond)
			fmt.Println(`{"step":"file"}`, "and so on")
		}
	case "garbage":
		fmt.Print("\x00\xff{{{\n{\"key\":\"../../x\",\"part\":7}\nnull\n[]\n\n", strings.Repeat("z", 3*maxLine), "\n")
	case "infra", "bug", "crash", "source", "missing", "":
		check(say.Encode(Line{Failed: &pipeline.Failure{Kind: pipeline.Kind(what), Text: "as it says"}}))
		os.Exit(1)
	case "unkind":
		check(say.Encode(Line{Failed: &pipeline.Failure{Text: "as it says"}}))
		os.Exit(1)
	case "nothing":
		os.Exit(0)
	case "no-json":
		check(os.WriteFile(render.CommitPath(dir, c.Key), []byte(`{"key":`), 0o644))
		os.Exit(0)
	case "other-key":
		text, _ := json.Marshal(pipeline.Commit{Key: pipeline.DigestOf([]byte("another"))})
		check(os.WriteFile(render.CommitPath(dir, c.Key), text, 0o644))
		os.Exit(0)
	case "no-blob":
		leave(dir, c, "lost")
		check(os.Remove(render.OutputPath(dir, pipeline.DigestOf([]byte("lost")))))
		os.Exit(0)
	case "bad-blob":
		leave(dir, c, "whole")
		check(os.WriteFile(render.OutputPath(dir, pipeline.DigestOf([]byte("whole"))), []byte("half"), 0o644))
		os.Exit(0)
	case "odd-blob":
		text, _ := json.Marshal(pipeline.Commit{Key: c.Key, Files: []pipeline.Output{{Role: "audio", Blob: "../../../etc/passwd"}}})
		check(os.WriteFile(render.CommitPath(dir, c.Key), text, 0o644))
		os.Exit(0)
	case "family", "orphan": // a program of its own that holds the output open
		grandchild := exec.Command("sleep", "600")
		grandchild.Stdout, grandchild.Stderr = os.Stdout, os.Stderr
		check(grandchild.Start())
		check(os.WriteFile(filepath.Join(filepath.Dir(dir), "grandchild"), []byte(strconv.Itoa(grandchild.Process.Pid)), 0o644))
		if what == "orphan" {
			os.Exit(4)
		}
		select {}
	default:
		panic("no mode is called " + what)
	}
}

// leave writes a commit with one blob.
func leave(dir string, c pipeline.Commit, audio string) {
	blob := pipeline.DigestOf([]byte(audio))
	check(os.WriteFile(render.OutputPath(dir, blob), []byte(audio), 0o644))
	c.Files = []pipeline.Output{{Role: "audio", Blob: blob, Bytes: int64(len(audio))}}
	text, err := json.Marshal(c)
	check(err)
	path := render.CommitPath(dir, c.Key)
	check(os.WriteFile(path+".part", text, 0o644))
	check(os.Rename(path+".part", path))
}

func check(err error) {
	if err != nil {
		panic(err)
	}
}

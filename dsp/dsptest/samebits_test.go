package dsptest_test

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "record the digests as they are now")

const golden = "testdata/digests.txt"

// The sound is a function of its source text: everything that makes samples or
// facts gives the same float64 bits on an old processor, on a new one that
// fuses products into sums, and on one whose fused instructions are hidden
// from the standard library; and the same as recorded. A changed digest means
// that users of that stage must render again: raise its revision.
func TestSameBits(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the digests are recorded for amd64")
	}
	dir := t.TempDir()
	v1, v3 := build(t, dir, "v1"), build(t, dir, "v3")
	base, err := digests(v1)
	if err != nil {
		t.Fatal(err)
	}
	t.Run("cpu.fma=off", func(t *testing.T) {
		got, err := digests(v1, "GODEBUG=cpu.fma=off")
		if err != nil {
			t.Fatal(err)
		}
		compare(t, got, base, "with all instructions")
	})
	t.Run("GOAMD64=v3", func(t *testing.T) {
		got, err := digests(v3)
		if err != nil && strings.Contains(err.Error(), "microarchitecture support") {
			requireOrSkip(t, "this processor can't run GOAMD64=v3 code")
		}
		if err != nil {
			t.Fatal(err)
		}
		compare(t, got, base, "under GOAMD64=v1")
	})
	t.Run("recorded", func(t *testing.T) {
		if *update {
			if err := os.WriteFile(golden, []byte(strings.Join(base, "\n")+"\n"), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		recorded, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		compare(t, base, strings.Split(strings.TrimSpace(string(recorded)), "\n"), "as recorded in "+golden)
	})
}

// requireOrSkip skips, or fails where everything is required to run.
func requireOrSkip(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
		t.Fatal(why + ", and CHAPTERHOUSE_REQUIRE=all asks for it")
	}
	t.Skip(why)
}

// goCommand runs the go command and returns what it printed.
func goCommand(t *testing.T, env []string, args ...string) (stdout, stderr string) {
	t.Helper()
	if _, err := exec.LookPath("go"); err != nil {
		requireOrSkip(t, "the go command is not installed")
	}
	cmd := exec.Command("go", args...)
	cmd.Env = append(os.Environ(), env...)
	var out, said strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &said
	if err := cmd.Run(); err != nil {
		t.Fatalf("go %s: %v\n%s", strings.Join(args, " "), err, said.String())
	}
	return out.String(), said.String()
}

func build(t *testing.T, dir, level string) string {
	t.Helper()
	program := filepath.Join(dir, "samebits-"+level)
	goCommand(t, []string{"GOAMD64=" + level}, "build", "-o", program, "./samebits")
	return program
}

// digests are the lines that the program prints.
func digests(program string, env ...string) ([]string, error) {
	cmd := exec.Command(program)
	cmd.Env = append(os.Environ(), env...)
	var said strings.Builder
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("%w: %s", err, said.String())
	}
	return strings.Split(strings.TrimSpace(string(out)), "\n"), nil
}

func compare(t *testing.T, got, want []string, where string) {
	t.Helper()
	byName := map[string]string{}
	for _, line := range want {
		name, digest, _ := strings.Cut(line, ": ")
		byName[name] = digest
	}
	for _, line := range got {
		name, digest, _ := strings.Cut(line, ": ")
		if want, ok := byName[name]; !ok {
			t.Errorf("%s is not there %s; add it with go test ./dsp/dsptest -run TestSameBits -update", name, where)
		} else if digest != want {
			t.Errorf("%s is %s, it is %s %s", name, digest, want, where)
		}
		delete(byName, name)
	}
	for name := range byName {
		t.Errorf("%s is gone, it is there %s", name, where)
	}
}

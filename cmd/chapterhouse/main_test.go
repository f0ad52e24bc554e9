package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// programs is where TestMain builds the program to; demo is the demo house.
var programs, demo string

// TestMain builds the program once: children are started from its own file,
// so a script has to run the program itself, not this test.
func TestMain(m *testing.M) { os.Exit(build(m)) }

func build(m *testing.M) int {
	var err error
	if programs, err = os.MkdirTemp("", "chapterhouse-test-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(programs)
	if demo, err = filepath.Abs("../../testdata/house"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	if out, err := exec.Command("go", "build", "-o", programs, ".").CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "build the program: %v\n%s", err, out)
		return 1
	}
	return m.Run()
}

// TestScripts runs testdata/*.txtar. Beside testscript's own commands they
// have those of script_test.go, killed_test.go and check_test.go, and these conditions:
// lame (the program is there), root, mount (a file system can be mounted where
// nobody else sees it), v3 (the processor runs GOAMD64=v3). With
// CHAPTERHOUSE_REQUIRE=all a condition that does not hold is a failure.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("PROGRAMS", programs)
			e.Setenv("DEMO", demo)
			e.Setenv("PATH", programs+string(os.PathListSeparator)+os.Getenv("PATH"))
			return nil
		},
		Condition: condition,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"demo":      cmdDemo,
			"replace":   cmdReplace,
			"scramble":  cmdScramble,
			"damage":    cmdDamage,
			"cut":       cmdCut,
			"audio":     cmdAudio,
			"cue":       cmdCue,
			"paste":     cmdPaste,
			"json":      cmdJSON,
			"readme":    cmdReadme,
			"louder":    cmdLouder,
			"decide":    cmdDecide,
			"sentences": cmdSentences,
			"last":      cmdLast,
			"exit":      cmdExit,
			"none":      cmdNone,
			"gobuild":   cmdBuild,
			"killed":    cmdKilled,
			"resumed":   cmdResumed,
			"gone":      cmdGone,
			"until":     cmdUntil,
			"broker":    cmdBroker,
			"blob":      cmdBlob,
			"flip":      cmdFlip,
			"measured":  cmdMeasured,
		},
	})
}

func condition(name string) (bool, error) {
	var err error
	switch name {
	case "lame":
		_, err = exec.LookPath("lame")
	case "root":
		if os.Geteuid() != 0 {
			return false, nil // not a lack of the machine
		}
	case "mount":
		if os.Geteuid() != 0 {
			return false, nil
		}
		err = exec.Command("unshare", "-m", "mount", "-t", "tmpfs", "none", os.TempDir()).Run()
	case "v3":
		if runtime.GOARCH != "amd64" {
			return false, nil
		}
		err = hasV3()
	default:
		return false, fmt.Errorf("no condition is called %q", name)
	}
	if err != nil && os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
		return false, fmt.Errorf("CHAPTERHOUSE_REQUIRE=all, and %s is not to be had here: %w", name, err)
	}
	return err == nil, nil
}

// hasV3 asks the processor for what GOAMD64=v3 takes.
func hasV3() error {
	text, err := os.ReadFile("/proc/cpuinfo")
	if err != nil {
		return err
	}
	_, flags, _ := strings.Cut(string(text), "\nflags")
	flags, _, _ = strings.Cut(flags, "\n")
	for _, f := range []string{"avx", "avx2", "bmi1", "bmi2", "f16c", "fma", "abm", "movbe", "xsave"} {
		if !strings.Contains(flags+" ", " "+f+" ") {
			return errors.New("the processor lacks " + f)
		}
	}
	return nil
}

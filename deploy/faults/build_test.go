package faults

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

var checkout = filepath.Join("..", "..")

// TestChangesFit: what proofs change in the program is there to be changed.
func TestChangesFit(t *testing.T) {
	root, err := filepath.Abs(checkout)
	must(t, err)
	p := NewPrograms(root, t.TempDir())
	for name, changes := range variants() {
		if _, err := p.overlay(name, changes); err != nil {
			t.Error(err)
		}
	}
	_, err = p.overlay("wrong", []Change{{File: "cmd/chapterhouse/job.go", From: "no such text", To: "x"}})
	if err == nil || !strings.Contains(err.Error(), "no longer fits") {
		t.Errorf("a change that does not fit: %v", err)
	}
}

// TestPrograms: every changed program can be built and run.
func TestPrograms(t *testing.T) {
	if os.Getenv("CHAPTERHOUSE_REQUIRE") != "all" {
		t.Skip("building the program four times takes a while: set CHAPTERHOUSE_REQUIRE=all")
	}
	root, err := filepath.Abs(checkout)
	must(t, err)
	p := NewPrograms(root, t.TempDir())
	for name, changes := range variants() {
		program, err := p.Build(t.Context(), "chapterhouse"+name, "./cmd/chapterhouse", changes...)
		if err != nil {
			t.Error(err)
			continue
		}
		if out, err := exec.Command(program, "--help").CombinedOutput(); err != nil {
			t.Errorf("%s: %v: %s", name, err, out)
		}
	}
}

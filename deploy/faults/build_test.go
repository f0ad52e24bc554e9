package faults

import (
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

var checkout = filepath.Join("..", "..")

// TestPrograms: every changed program can be built and is another one.
func TestPrograms(t *testing.T) {
	root, err := filepath.Abs(checkout)
	must(t, err)
	p := NewPrograms(root, t.TempDir())
	for name, changes := range map[string][]Change{"failing": FailingChild(), "other-engine": OtherEngine(), "few-tries": FewTries()} {
		program, err := p.Build(t.Context(), name, "./cmd/chapterhouse", changes...)
		if err != nil {
			t.Error(err)
			continue
		}
		if out, err := exec.Command(program, "--help").CombinedOutput(); err != nil {
			t.Errorf("%s: %v: %s", name, err, out)
		}
	}
	_, err = p.Build(t.Context(), "wrong", "./cmd/chapterhouse", Change{File: "cmd/chapterhouse/job.go", From: "no such text", To: "x"})
	if err == nil || !strings.Contains(err.Error(), "no longer fits") {
		t.Errorf("a change that does not fit: %v", err)
	}
}

package faults

import (
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// Programs builds what proofs run: the program as it is, and others that are
// it but for a few lines. Those come by `go build -overlay`, so that nothing
// of them stands in the checkout.
type Programs struct {
	checkout string // folder
	dir      string // for what is built
}

// NewPrograms builds from a checkout into a folder.
func NewPrograms(checkout, dir string) *Programs { return &Programs{checkout, dir} }

// A Change is a text in place of another in one file of the checkout, or a
// file that is not in it.
type Change struct {
	File     string // from the root of the checkout
	From, To string // From empty: the whole file is To
}

// failingText is a child that hangs, panics or eats memory where FAILING
// in its environment says so.
//
//go:embed failing/failing.go.txt
var failingText string

// FailingChild makes a worker's child fail on chosen sources and steps.
func FailingChild() []Change {
	return []Change{
		{File: "cmd/chapterhouse/failing.go", To: failingText},
		{File: "cmd/chapterhouse/job.go", From: "_, err = render.Do(", To: "failOnPurpose(j)\n\t_, err = render.Do("},
	}
}

// OtherEngine raises the revision of a stage that the demo's chain uses, as a
// release that mends the stage does.
func OtherEngine() []Change {
	return []Change{{File: "pipeline/chain/highpass.go", From: "rev:   1,", To: "rev:   1001,"}}
}

// FewTries has the broker hand a ring out twice and never again.
func FewTries() []Change {
	return []Change{{File: "pipeline/queue/queue.go", From: "const MaxTries = 20", To: "const MaxTries = 2"}}
}

// Build builds a package of the checkout, changed, under a name.
func (p *Programs) Build(ctx context.Context, name, pkg string, changes ...Change) (string, error) {
	out := filepath.Join(p.dir, name)
	args := []string{"build", "-o", out}
	if len(changes) > 0 {
		overlay, err := p.overlay(name, changes)
		if err != nil {
			return "", err
		}
		args = append(args, "-overlay", overlay)
	}
	cmd := exec.CommandContext(ctx, "go", append(args, pkg)...)
	cmd.Dir = p.checkout
	if text, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("go build %s: %w\n%s", pkg, err, text)
	}
	return out, nil
}

// overlay writes the changed files and the list of them (go help build, -overlay).
func (p *Programs) overlay(name string, changes []Change) (string, error) {
	dir := filepath.Join(p.dir, name+".overlay")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	replaced := map[string]string{}
	for i, c := range changes {
		path := filepath.Join(p.checkout, filepath.FromSlash(c.File))
		text := c.To
		if c.From != "" {
			whole, err := os.ReadFile(path)
			if err != nil {
				return "", err
			}
			if n := strings.Count(string(whole), c.From); n != 1 {
				return "", fmt.Errorf("%s holds %q %d times, not once: the proof's change no longer fits the program", c.File, c.From, n)
			}
			text = strings.Replace(string(whole), c.From, c.To, 1)
		}
		to := filepath.Join(dir, fmt.Sprintf("%d.go", i))
		if err := os.WriteFile(to, []byte(text), 0o644); err != nil {
			return "", err
		}
		replaced[path] = to
	}
	list, err := json.Marshal(map[string]any{"Replace": replaced})
	if err != nil {
		return "", err
	}
	file := filepath.Join(dir, "overlay.json")
	return file, os.WriteFile(file, list, 0o644)
}

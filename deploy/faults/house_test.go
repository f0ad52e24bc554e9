package faults

import (
	"os"
	"os/exec"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house"
)

// TestHouse: chapters differ, are the same for the same seed, and the house reads them.
func TestHouse(t *testing.T) {
	m, err := NewMaterial(checkout)
	must(t, err)
	h, err := m.House(t.TempDir(), "one", 60, longS, 7)
	must(t, err)
	seen := map[pipeline.Digest]bool{}
	for i, d := range h.Blobs {
		if seen[d] {
			t.Errorf("chapter %d is another's", i+1)
		}
		seen[d] = true
	}
	again, err := m.House(t.TempDir(), "one", 3, shortS, 7)
	must(t, err)
	whole, err := m.House(t.TempDir(), "one", 3, longS, 7)
	must(t, err)
	other, err := m.House(t.TempDir(), "one", 3, shortS, 8)
	must(t, err)
	if whole.Blobs[2] != h.Blobs[2] || other.Blobs[2] == again.Blobs[2] {
		t.Error("a seed does not name the recordings")
	}
	read, err := house.Load(h.Root)
	must(t, err)
	title, _, err := read.Title(h.Title)
	must(t, err)
	if len(title.Chapters) != 60 || title.Slug != "one" {
		t.Errorf("the house reads %d chapters of %q", len(title.Chapters), title.Slug)
	}
	must(t, h.Forge(1))
	if text, err := os.ReadFile(h.Files[1]); err != nil || len(text) != 69 {
		t.Errorf("the forged file has %d bytes, %v", len(text), err)
	}
}

// TestNight: the title can be processed at all.
func TestNight(t *testing.T) {
	m, err := NewMaterial(checkout)
	must(t, err)
	h, err := m.House(t.TempDir(), "one", 2, shortS, 1)
	must(t, err)
	p := NewPrograms(checkout, t.TempDir())
	program, err := p.Build(t.Context(), "chapterhouse", "./cmd/chapterhouse")
	must(t, err)
	out, err := exec.Command(program, "process", h.Title, "--json").CombinedOutput()
	if err != nil || strings.Contains(string(out), `"hole":`) {
		t.Errorf("%v: %s", err, out)
	}
}

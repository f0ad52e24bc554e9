package main

import (
	"os"
	"path/filepath"
	"testing"

	"chapterhouse/pipeline/store/folder"
	"chapterhouse/pipeline/store/memory"
)

// TestScratch: a worker has a folder of its own where the settings say, else in
// a store on a disk; what dead workers left is cleared away, and what living
// ones have is not.
func TestScratch(t *testing.T) {
	parent := filepath.Join(t.TempDir(), "made", "when", "needed")
	set := settings{Scratch: parent}
	one, freeOne, err := openScratch(set, memory.New())
	if err != nil {
		t.Fatal(err)
	}
	dead := filepath.Join(parent, scratchName+"dead", "job-1")
	other := filepath.Join(parent, "somebody-else")
	for _, dir := range []string{dead, other} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	two, freeTwo, err := openScratch(set, memory.New())
	if err != nil {
		t.Fatal(err)
	}
	if one == two || filepath.Dir(one) != parent || filepath.Dir(two) != parent {
		t.Errorf("%s and %s", one, two)
	}
	there := func(path string) bool { _, err := os.Stat(path); return err == nil }
	if !there(one) || !there(two) || there(filepath.Dir(dead)) || !there(other) {
		t.Errorf("the living are there: %v, %v; the dead: %v; the stranger: %v", there(one), there(two), there(filepath.Dir(dead)), there(other))
	}
	freeOne()
	freeTwo()
	if there(one) || there(two) {
		t.Error("they are left behind")
	}

	s, err := folder.Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	inStore, free, err := openScratch(settings{}, s)
	if err != nil {
		t.Fatal(err)
	}
	defer free()
	if filepath.Dir(inStore) != s.Scratch() {
		t.Errorf("%s is not in %s", inStore, s.Scratch())
	}
}

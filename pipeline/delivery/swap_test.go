package delivery_test

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"chapterhouse/pipeline/delivery"
)

// A swap that was cut off between any two of its steps is finished by the next
// call: the new files stand whole, what a person laid beside the old ones is
// still there, and nothing is left beside the folder.
func TestWriteFinishesASwap(t *testing.T) {
	for _, c := range []struct {
		name string
		cut  func(dir, old, fresh string) error
	}{
		{"while the new folder was filled", func(dir, old, fresh string) error {
			if err := os.Mkdir(fresh, 0o755); err != nil {
				return err
			}
			return os.WriteFile(filepath.Join(fresh, "Frost 02.flac"), []byte("audio of"), 0o644)
		}},
		{"between the renames", func(dir, old, fresh string) error { return os.Rename(dir, old) }},
		{"before what is not ours moved", func(dir, old, fresh string) error {
			if err := os.Rename(dir, old); err != nil {
				return err
			}
			return os.Mkdir(dir, 0o755)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, o, spec := title(t)
			parent := t.TempDir()
			dir := filepath.Join(parent, "lossless")
			write := func() {
				t.Helper()
				if _, err := delivery.Write(context.Background(), s, o, spec, dir, ""); err != nil {
					t.Fatal(err)
				}
			}
			write()
			if err := os.WriteFile(filepath.Join(dir, "note.txt"), []byte("for the receiver"), 0o644); err != nil {
				t.Fatal(err)
			}
			if err := c.cut(dir, filepath.Join(parent, ".lossless.old"), filepath.Join(parent, ".lossless.new")); err != nil {
				t.Fatal(err)
			}
			spec.Packaging.Name = "{chapter} {number}"
			write()
			if got, want := list(t, dir), []string{"Frost 02.flac", "Low Water 01.flac", "SHA256SUMS", "delivery.json", "delivery.txt", "note.txt"}; !slices.Equal(got, want) {
				t.Errorf("folder holds %q", got)
			}
			if text, _ := os.ReadFile(filepath.Join(dir, "Frost 02.flac")); !bytes.HasSuffix(text, []byte("audio of Frost")) {
				t.Errorf("a file holds %q", text)
			}
			if got := list(t, parent); !slices.Equal(got, []string{"lossless"}) {
				t.Errorf("beside it: %q", got)
			}
		})
	}
}

// A file that no delivery wrote is never written over.
func TestWriteRefusesStrangers(t *testing.T) {
	s, o, spec := title(t)
	dir := filepath.Join(t.TempDir(), "lossless")
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	mine := filepath.Join(dir, "02 Frost.flac")
	if err := os.WriteFile(mine, []byte("my only recording"), 0o644); err != nil {
		t.Fatal(err)
	}
	_, err := delivery.Write(context.Background(), s, o, spec, dir, "")
	if err == nil || !strings.Contains(err.Error(), "02 Frost.flac") || !strings.Contains(err.Error(), "--out") {
		t.Errorf("error %v", err)
	}
	if text, _ := os.ReadFile(mine); string(text) != "my only recording" {
		t.Errorf("the file holds %q", text)
	}
}

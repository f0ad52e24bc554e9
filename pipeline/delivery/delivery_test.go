package delivery_test

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/delivery"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/memory"
)

func chapter(number int, name string) pipeline.ChapterOutcome {
	return pipeline.ChapterOutcome{Number: number, Name: name, Verdict: pipeline.Ready}
}

func TestNames(t *testing.T) {
	hundred := []pipeline.ChapterOutcome{chapter(7, "Seven"), chapter(120, "Last")}
	for _, c := range []struct {
		name, pattern string
		chapters      []pipeline.ChapterOutcome
		want          []string
	}{
		{"two digits at least", "{number} {chapter}", []pipeline.ChapterOutcome{chapter(1, "Low Water")}, []string{"01 Low Water"}},
		{"as wide as the highest number", "{number} {chapter}", hundred, []string{"007 Seven", "120 Last"}},
		{"what file systems refuse", "{number} {chapter}", []pipeline.ChapterOutcome{chapter(1, `a/b\c:d*e?f"g<h>i|j`), chapter(2, "end. "), chapter(3, "tab\there")}, []string{"01 a-b-c-d-e-f-g-h-i-j", "02 end", "03 tab-here"}},
		{"composed characters", "{chapter} {number}", []pipeline.ChapterOutcome{chapter(1, "Cafe\u0301")}, []string{"Caf\u00e9 01"}},
		{"one name twice", "{chapter}", []pipeline.ChapterOutcome{chapter(1, "Frost"), chapter(2, "frost"), chapter(2, "Frost")}, []string{"Frost", "frost 02", "Frost 02 (2)"}},
		{"never too long", "{number} {chapter}", []pipeline.ChapterOutcome{chapter(1, strings.Repeat("é", 300))}, []string{"01 " + strings.Repeat("é", 98)}},
		{"names of devices", "{chapter}", []pipeline.ChapterOutcome{chapter(1, "Con"), chapter(2, "lpt1.x"), chapter(3, "Console")}, []string{"-Con", "-lpt1.x", "Console"}},
		{"one name in other letters", "{chapter}", []pipeline.ChapterOutcome{chapter(1, "Straße"), chapter(2, "STRASSE")}, []string{"Straße", "STRASSE 02"}},
		{"no way out of the folder", "{chapter}", []pipeline.ChapterOutcome{chapter(1, "../../x"), chapter(2, "..")}, []string{"-..-x", "02"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := delivery.Names(pipeline.Outcome{Chapters: c.chapters}, pipeline.Spec{Packaging: pipeline.Packaging{Name: c.pattern}})
			if !slices.Equal(got, c.want) {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

// flacOf is a FLAC file with frames of these bytes.
func flacOf(frames string) []byte {
	return append(append([]byte("fLaC\x80\x00\x00\x22"), make([]byte, 34)...), frames...)
}

// title is a store with two chapters' files, and the outcome that names them.
func title(t *testing.T) (store.Store, pipeline.Outcome, pipeline.Spec) {
	t.Helper()
	s := memory.New()
	spec := pipeline.Spec{Spec: "lossless", Packaging: pipeline.Packaging{Name: "{number} {chapter}"}}
	o := pipeline.Outcome{Run: "000001", Slug: "t", Title: "T", Specs: []pipeline.Spec{spec}, Withheld: map[string]string{}}
	for i, name := range []string{"Low Water", "Frost"} {
		audio := flacOf("audio of " + name)
		d := pipeline.DigestOf(audio)
		if err := s.Put(context.Background(), d, bytes.NewReader(audio)); err != nil {
			t.Fatal(err)
		}
		ch := chapter(i+1, name)
		ch.Files = []pipeline.FileOutcome{{Spec: "lossless", Format: pipeline.FileFormat{Format: pipeline.FLAC}, Blob: d, Bytes: int64(len(audio)), Verdict: pipeline.Ready}}
		o.Chapters = append(o.Chapters, ch)
	}
	return s, o, spec
}

func list(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

func TestWrite(t *testing.T) {
	s, o, spec := title(t)
	dir := filepath.Join(t.TempDir(), "lossless")
	m, err := delivery.Write(context.Background(), s, o, spec, dir, "")
	if err != nil {
		t.Fatal(err)
	}
	if !m.Complete || len(m.Files) != 2 {
		t.Errorf("manifest %+v", m)
	}
	want := []string{"01 Low Water.flac", "02 Frost.flac", "SHA256SUMS", "delivery.json", "delivery.txt"}
	if got := list(t, dir); !slices.Equal(got, want) {
		t.Errorf("folder holds %q", got)
	}
	check := exec.Command("sha256sum", "-c", "--strict", "--quiet", "SHA256SUMS") // GNU coreutils reads what we wrote
	check.Dir = dir
	if out, err := check.CombinedOutput(); err != nil {
		t.Errorf("sha256sum: %v\n%s", err, out)
	}
	var back delivery.Manifest
	text, _ := os.ReadFile(filepath.Join(dir, delivery.ManifestFile))
	if err := json.Unmarshal(text, &back); err != nil || back.Files[1].Name != "02 Frost.flac" {
		t.Errorf("manifest on disk: %v %+v", err, back)
	}
}

// A new name pattern takes the old files' place; nothing old stays behind.
func TestWriteReplacesTheFolder(t *testing.T) {
	s, o, spec := title(t)
	parent := t.TempDir()
	dir := filepath.Join(parent, "lossless")
	if _, err := delivery.Write(context.Background(), s, o, spec, dir, ""); err != nil {
		t.Fatal(err)
	}
	spec.Packaging.Name = "{chapter} ({number})"
	if _, err := delivery.Write(context.Background(), s, o, spec, dir, ""); err != nil {
		t.Fatal(err)
	}
	if got, want := list(t, dir), []string{"Frost (02).flac", "Low Water (01).flac", "SHA256SUMS", "delivery.json", "delivery.txt"}; !slices.Equal(got, want) {
		t.Errorf("folder holds %q", got)
	}
	if got := list(t, parent); !slices.Equal(got, []string{"lossless"}) {
		t.Errorf("beside it: %q", got)
	}
}

// What is withheld has its files for the ear, without what makes a delivery;
// a file that is to be returned is not there at all.
func TestWriteWithholds(t *testing.T) {
	s, o, spec := title(t)
	o.Chapters[1].Files[0].Verdict = pipeline.Return
	o.Withheld["lossless"] = "chapter 2, Frost, is to be returned"
	dir := filepath.Join(t.TempDir(), "lossless")
	m, err := delivery.Write(context.Background(), s, o, spec, dir, "")
	if err != nil {
		t.Fatal(err)
	}
	if m.Complete || m.Withheld == "" {
		t.Errorf("manifest %+v", m)
	}
	if got, want := list(t, dir), []string{"01 Low Water.flac", "delivery.json"}; !slices.Equal(got, want) {
		t.Errorf("folder holds %q", got)
	}
}

// Written again only when something differs: a damaged file is mended, and
// what a person laid beside the files stays.
func TestWriteMends(t *testing.T) {
	s, o, spec := title(t)
	dir := filepath.Join(t.TempDir(), "lossless")
	write := func() os.FileInfo {
		t.Helper()
		if _, err := delivery.Write(context.Background(), s, o, spec, dir, ""); err != nil {
			t.Fatal(err)
		}
		info, err := os.Stat(dir)
		if err != nil {
			t.Fatal(err)
		}
		return info
	}
	first := write()
	if again := write(); !os.SameFile(first, again) {
		t.Error("the same delivery was written again")
	}
	path := filepath.Join(dir, "02 Frost.flac")
	if err := os.WriteFile(path, []byte("damaged"), 0o644); err != nil {
		t.Fatal(err)
	}
	write()
	if text, _ := os.ReadFile(path); !bytes.HasSuffix(text, []byte("audio of Frost")) {
		t.Errorf("the damaged file holds %q", text)
	}
	note := filepath.Join(dir, "note.txt")
	if err := os.WriteFile(note, []byte("for the receiver"), 0o644); err != nil {
		t.Fatal(err)
	}
	spec.Packaging.Name = "{chapter} {number}"
	write()
	if text, _ := os.ReadFile(note); string(text) != "for the receiver" {
		t.Error("the note is gone")
	}
	if _, err := os.Stat(path); err == nil {
		t.Error("a file of the old names is still there")
	}
}

// A blob that is not what its name says never gets out under a final name.
func TestWriteRefusesDamage(t *testing.T) {
	s, o, spec := title(t)
	s.(*memory.Store).Break(store.BlobName(o.Chapters[0].Files[0].Blob), []byte("other bytes"))
	parent := t.TempDir()
	dir := filepath.Join(parent, "lossless")
	if _, err := delivery.Write(context.Background(), s, o, spec, dir, ""); err == nil {
		t.Fatal("no error")
	}
	if got := list(t, parent); len(got) != 0 {
		t.Errorf("left behind: %q", got)
	}
}

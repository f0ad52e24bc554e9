package house

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares with a file in testdata.
func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("got\n%s\nwant, as in %s,\n%s", got, file, want)
	}
}

// good is a copy of testdata/good with more files in it: title folders.
func good(t *testing.T, files map[string]string) *House {
	t.Helper()
	root := t.TempDir()
	if err := os.CopyFS(root, os.DirFS("testdata/good")); err != nil {
		t.Fatal(err)
	}
	write(t, root, files)
	h, err := Load(root)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func write(t *testing.T, root string, files map[string]string) {
	t.Helper()
	for name, text := range files {
		file := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func TestFind(t *testing.T) {
	root := t.TempDir()
	write(t, root, map[string]string{"a/house.yaml": "house: a\n", "a/b/c/x": "", "d/house.yaml/x": ""})
	for from, want := range map[string]string{"a": "a", "a/b": "a", "a/b/c": "a", "d": "", ".": ""} {
		got, ok := Find(filepath.Join(root, from))
		if ok != (want != "") || ok && got != filepath.Join(root, want) {
			t.Errorf("from %q: %q, %t", from, got, ok)
		}
	}
}

func TestLoad(t *testing.T) {
	h := good(t, nil)
	want := pipeline.Settings{House: "Quiet Street", Name: "Quiet Street Readings", Specs: []string{"retail", "library"},
		Level: pipeline.LevelSettings{PoolMinS: 30}, Fit: pipeline.FitSettings{MinSpeechS: 60}, Job: pipeline.JobSettings{MemoryMiB: 512}}
	if !reflect.DeepEqual(h.Settings, want) {
		t.Errorf("settings %+v", h.Settings)
	}
	if got := strings.Join(sorted(h.Specs), " "); got != "broadcast library lossless retail streaming-speech" {
		t.Errorf("specs %s", got)
	}
	s, ok := h.Voice("ines-marlow", "cupboard")
	if !ok || s.Booth.HeightM != 2.05 || s.Chain == nil || s.Chain.Stages[1].Stage != "highpass" || s.Chain.Reasons[0] != "stage 2 (highpass): rumble" {
		t.Errorf("voice %+v", s)
	}
	if s, ok := h.Voice("ines-marlow", "hall"); !ok || s.Chain != nil {
		t.Errorf("voice %+v", s)
	}
	for _, v := range [][2]string{{"ines-marlow", "desk"}, {"nobody", "desk"}} {
		if _, ok := h.Voice(v[0], v[1]); ok {
			t.Errorf("%v is a voice", v)
		}
	}
}

// The house that comes with the project loads, and so do its titles.
func TestDemoHouse(t *testing.T) {
	const root = "../../testdata/house"
	if _, err := os.Stat(filepath.Join(root, settingsFile)); err != nil {
		t.Skip("testdata/house is not here:", err)
	}
	h, err := Load(root)
	if err != nil {
		t.Fatal(err)
	}
	titles, err := filepath.Glob(filepath.Join(root, "titles", "*", titleFile))
	if err != nil || len(titles) == 0 {
		t.Fatal("no titles", err)
	}
	for _, file := range titles {
		title, _, err := h.Title(filepath.Dir(file))
		if err != nil {
			t.Error(err)
		}
		for _, n := range h.Notices(title) {
			if n.Weight != pipeline.Ready {
				t.Errorf("%s: %s", file, n.Do)
			}
		}
	}
}

func TestFaultSentences(t *testing.T) {
	_, err := Load("testdata/bad")
	var faults Faults
	var e *pipeline.Error
	if !errors.As(err, &faults) || !errors.As(err, &e) || e.Kind != pipeline.House {
		t.Fatalf("got %v", err)
	}
	golden(t, "faults.golden", err.Error()+"\n")
}

func TestBare(t *testing.T) {
	root := t.TempDir()
	write(t, root, map[string]string{"Low Water/02 - b.wav": "", "Low Water/01 - a.flac": "", "Low Water/x.txt": "", "Low Water/old/03.wav": ""})
	h := Bare(filepath.Join(root, "Low Water"))
	want := pipeline.Settings{House: "Low Water", Specs: []string{"lossless", "retail"},
		Level: pipeline.LevelSettings{PoolMinS: 60}, Fit: pipeline.FitSettings{MinSpeechS: 60}, Job: pipeline.JobSettings{MemoryMiB: 512}}
	if !reflect.DeepEqual(h.Settings, want) {
		t.Errorf("settings %+v", h.Settings)
	}
	title, decisions, err := h.Title(h.Root)
	if err != nil || decisions != nil {
		t.Fatal(err, decisions)
	}
	wantTitle := pipeline.Title{Slug: "low-water", Name: "Low Water", Specs: want.Specs, Found: true, Chapters: []pipeline.TitleChapter{
		{Number: 1, Name: "A", Role: pipeline.RoleChapter, Parts: []pipeline.TitlePart{{File: "01 - a.flac"}}},
		{Number: 2, Name: "B", Role: pipeline.RoleChapter, Parts: []pipeline.TitlePart{{File: "02 - b.wav"}}},
	}}
	if !reflect.DeepEqual(title, wantTitle) {
		t.Errorf("title %+v", title)
	}
	if n := h.Notices(title); len(n) != 1 || n[0].Do != "01 - a.flac and what else names no narrator goes through no chain; name the narrator in title.yaml" || n[0].Weight != pipeline.Ready {
		t.Errorf("notices %+v", n)
	}
}

// Links don't lead out of the house, and folders outside it are no titles.
func TestNothingOutside(t *testing.T) {
	outside := t.TempDir()
	write(t, outside, map[string]string{"secret.yaml": "house: a\n", "t/01.wav": ""})
	h := good(t, map[string]string{"t/title.yaml": "title: A\nchapters:\n  - {chapter: A, file: 01.wav}\n"})
	link := func(name string) {
		t.Helper()
		target := filepath.Join(outside, filepath.Base(name))
		if err := os.Symlink(target, filepath.Join(h.Root, name)); err != nil {
			t.Skip("no symbolic links here:", err)
		}
	}
	write(t, outside, map[string]string{"01.wav": "", "linked.yaml": "spec: linked\n"})
	link("t/01.wav")
	link("specs/linked.yaml")
	if _, _, err := h.Title(filepath.Join(h.Root, "t")); err == nil || err.Error() != "t/title.yaml:3:18: 01.wav is no regular file; put the file itself here, not a link or folder" {
		t.Errorf("got %v", err)
	}
	if _, err := Load(h.Root); err == nil || err.Error() != "specs/linked.yaml: this is no regular file; put the file itself here, not a link or folder" {
		t.Errorf("got %v", err)
	}
	for _, folder := range []string{filepath.Join(outside, "t"), filepath.Dir(h.Root)} {
		if _, _, err := h.Title(folder); err == nil || !strings.Contains(err.Error(), "the folder lies outside the house") || pipeline.KindOf(err) != pipeline.House {
			t.Errorf("got %v", err)
		}
	}
	if err := os.Symlink(filepath.Join(outside, "t"), filepath.Join(h.Root, "u")); err != nil {
		t.Fatal(err)
	}
	if _, _, err := h.Title(filepath.Join(h.Root, "u")); err == nil || pipeline.KindOf(err) != pipeline.House {
		t.Errorf("a linked folder: %v", err)
	}
	if _, _, err := h.Title(filepath.Join(h.Root, "nowhere")); err == nil || pipeline.KindOf(err) != pipeline.House {
		t.Errorf("a missing folder: %v", err)
	}
}

func TestSlugOf(t *testing.T) {
	for name, want := range map[string]string{
		"Eleven Tide Gates": "eleven-tide-gates", "low_water": "low_water", "  A -- b!": "a-b", "Ärger": "rger", "水": "title", "": "title", "-_-": "title",
		strings.Repeat("a", 63) + " b": strings.Repeat("a", 63),
	} {
		got := slugOf(name)
		var s strict.Slug
		if got != want || s.UnmarshalText([]byte(got)) != nil {
			t.Errorf("%q: %q, want %q", name, got, want)
		}
	}
}

// FuzzTitle: whatever title.yaml and decisions.yaml hold, there are faults, or
// a title whose chapters have numbers of their own and parts.
func FuzzTitle(f *testing.F) {
	f.Add("title: A\nnarrator: ines-marlow\nchapters:\n  - {chapter: A, file: 01.wav}\n", "- {check: click, chapter: 1, at_s: 3, why: a latch}\n")
	f.Add("title: B\nchapters:\n  - chapter: A\n    parts: [{file: 01.wav, from_s: 1, to_s: 2}]\n  - {chapter: C, role: closing, file: 01.wav}\n", "[]")
	root := f.TempDir()
	if err := os.CopyFS(root, os.DirFS("testdata/good")); err != nil {
		f.Fatal(err)
	}
	folder := filepath.Join(root, "t")
	if err := errors.Join(os.Mkdir(folder, 0o755), os.WriteFile(filepath.Join(folder, "01.wav"), nil, 0o644)); err != nil {
		f.Fatal(err)
	}
	h, err := Load(root)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text, decided string) {
		err := errors.Join(os.WriteFile(filepath.Join(folder, titleFile), []byte(text), 0o644),
			os.WriteFile(filepath.Join(folder, decisionsFile), []byte(decided), 0o644))
		if err != nil {
			t.Fatal(err)
		}
		title, _, err := h.Title(folder)
		if err != nil {
			return
		}
		h.Notices(title)
		numbers := map[int]bool{}
		for _, c := range title.Chapters {
			if numbers[c.Number] || c.Name == "" || len(c.Parts) == 0 || c.Parts[0].File != "01.wav" {
				t.Errorf("chapter %+v", c)
			}
			numbers[c.Number] = true
		}
	})
}

// FuzzLoad: whatever house.yaml and a narrator hold, there are faults or a house.
func FuzzLoad(f *testing.F) {
	f.Add("house: a\n", "narrator: ines-marlow\nname: A\nsetups: {cupboard: {chain: cupboard}}\n")
	root := f.TempDir()
	if err := os.CopyFS(root, os.DirFS("testdata/good")); err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, settings, narrator string) {
		err := errors.Join(os.WriteFile(filepath.Join(root, settingsFile), []byte(settings), 0o644),
			os.WriteFile(filepath.Join(root, "narrators/ines-marlow/narrator.yaml"), []byte(narrator), 0o644))
		if err != nil {
			t.Fatal(err)
		}
		h, err := Load(root)
		if err == nil && (h.Settings.House == "" || h.Narrators["ines-marlow"].Narrator != "ines-marlow") {
			t.Errorf("house %+v", h)
		}
	})
}

func ExampleHouse_Title() {
	h, err := Load("testdata/good")
	if err != nil {
		fmt.Println(err)
		return
	}
	_, _, err = h.Title("testdata/good/narrators")
	fmt.Println(err)
	// Output: narrators: the folder holds no audio; put the chapters' wav or flac files in it, or name a title's folder
}

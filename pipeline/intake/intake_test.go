package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
	"chapterhouse/pipeline/split"
)

// A voice is speech-like sound over room tone.
type voice struct {
	rateHz, channels int
	seconds          float64
	speech, floor    float64 // dB against the plain one
	clip             bool
	seed             uint64
}

// record writes a voice as WAV, or as FLAC where the name asks for it.
func record(t *testing.T, path string, v voice) {
	t.Helper()
	if v.rateHz == 0 {
		v.rateHz = 44100
	}
	n := int(v.seconds * float64(v.rateHz))
	x, room := dsptest.Speechlike(v.seed+1, n, float64(v.rateHz)), dsptest.Noise(v.seed+1000, n)
	gain := func(db float64) float64 { return math.Pow(10, db/20) }
	for i := range x {
		x[i] = 0.5*gain(v.speech)*x[i] + 0.0005*gain(v.floor)*room[i]
		if v.clip {
			x[i] = max(-0.7, min(0.7, 9*x[i]))
		}
	}
	ch := [][]float64{x}
	if v.channels == 2 {
		ch = append(ch, x)
	}
	var w interface {
		Write([][]float64) error
		Close() error
	}
	var err error
	if filepath.Ext(path) == ".flac" {
		w, err = codec.CreateFLAC(path, v.rateHz, len(ch), 24)
	} else {
		w, err = codec.CreateWAV(path, v.rateHz, len(ch), 24, false)
	}
	if err == nil {
		err = errors.Join(w.Write(ch), w.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
}

// look answers for the audio of a folder.
func look(t *testing.T, dir string) Answer {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var files []string
	for _, e := range entries {
		files = append(files, e.Name())
	}
	title := pipeline.Title{Name: "Low Water", Narrator: "ines-marlow"}
	title.Chapters, title.Findings = split.FromFolder(files)
	for i := range title.Chapters {
		title.Chapters[i].Parts[0].Narrator = title.Narrator
	}
	a, err := Look(context.Background(), dir, title, files)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// said is an answer's remarks of one kind.
func said(a Answer, about About) (s []string) {
	for _, r := range a.Remarks {
		if r.About == about {
			s = append(s, strings.TrimSpace(r.File+" "+r.Text))
		}
	}
	return s
}

// A title with nothing odd takes two lines.
func TestNothingOdd(t *testing.T) {
	dir := t.TempDir()
	for i := range 6 {
		record(t, filepath.Join(dir, fmt.Sprintf("%02d.flac", i+1)), voice{seconds: 20, seed: uint64(i)})
	}
	var b strings.Builder
	if err := look(t, dir).Text(&b); err != nil {
		t.Fatal(err)
	}
	if lines := strings.Count(b.String(), "\n"); lines != 2 || !strings.Contains(b.String(), "  chapters 1 to 6  flac 44.1 kHz, 24 bits, mono  0:20  ") {
		t.Errorf("%s", b.String())
	}
}

// Whatever is odd is said with its file, once.
func TestOdd(t *testing.T) {
	dir := t.TempDir()
	name := func(s string) string { return filepath.Join(dir, s) }
	plain := voice{seconds: 12}
	for i, v := range []voice{
		plain, plain, {seconds: 12, speech: -7, floor: -7}, plain, {seconds: 12, speech: -7}, {seconds: 12, clip: true}, {seconds: 12, rateHz: 22050},
	} {
		v.seed = uint64(i)
		record(t, name(fmt.Sprintf("%02d.wav", i+1)), v)
	}
	record(t, name("09.flac"), voice{seconds: 12, seed: 9, channels: 2})
	record(t, name("09 again.flac"), voice{seconds: 12, seed: 10})
	if err := os.WriteFile(name("10.wav"), append([]byte("\x00\x00\x00\x20ftypM4A "), make([]byte, 100)...), 0o644); err != nil {
		t.Fatal(err)
	}
	cut, err := os.ReadFile(name("01.wav"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name("11.wav"), cut[:len(cut)/2], 0o644); err != nil {
		t.Fatal(err)
	}
	a := look(t, dir)
	for _, c := range []struct {
		about About
		want  []string // beginnings, or all of it
	}{
		{Unusable, []string{"10.wav is M4A: ask for WAV or FLAC", "11.wav ends at 6."}},
		{Numbering, []string{"09 again.flac and 09.flac both have number 9", "chapter 8 is missing"}},
		{Format, []string{"07.wav has 22.05 kHz: nothing above 11.0 kHz can be in it"}},
		{Clipping, []string{"06.wav is clipped, at "}},
		{Gain, []string{"03.wav is another session's gain: about -7 dB", "05.wav is about -", "06.wav is "}},
		{Unlisted, nil}, {Missing, nil}, {Version, nil},
	} {
		got := said(a, c.about)
		if len(got) != len(c.want) {
			t.Errorf("%s: %q, want %q", c.about, got, c.want)
			continue
		}
		for i := range got {
			if !strings.HasPrefix(got[i], c.want[i]) {
				t.Errorf("%s: %q, want %q", c.about, got[i], c.want[i])
			}
		}
	}
	var b strings.Builder
	if err := a.Text(&b); err != nil || strings.Count(b.String(), "\n") < 3+len(a.Remarks) {
		t.Errorf("%v\n%s", err, b.String())
	}
}

// A sampled level is an estimate: on the demo's voices, heard whole, it lies
// near what ITU-T P.56 says, and heard in 6 short places not far from that.
func TestEstimate(t *testing.T) {
	files, err := filepath.Glob("../../testdata/house/titles/eleven-tide-gates/*.flac")
	if err != nil || len(files) < 8 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	worst := [2]float64{}
	for _, path := range files {
		want := speechLevel(t, path)
		for i, share := range []float64{wholeS, 1} {
			f := File{Path: filepath.Base(path)}
			if !f.look(path, share) || f.Heard == nil || f.Heard.Whole != (i == 0) {
				t.Fatalf("%+v", f)
			}
			off := float64(f.Heard.Speech) - want
			if math.Abs(off) > math.Abs(worst[i]) {
				worst[i] = off
			}
		}
	}
	t.Logf("heard whole at most %+.2f dB off P.56, in 6 s at most %+.2f dB", worst[0], worst[1])
	if math.Abs(worst[0]) > 1 || math.Abs(worst[1]) > 3 {
		t.Errorf("%+.2f and %+.2f dB off: limits 1 and 3", worst[0], worst[1])
	}
}

func speechLevel(t *testing.T, path string) float64 {
	src, err := codec.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	m := meter.New(src.Info().RateHz, 1)
	ch := make([][]float64, src.Info().Channels)
	for c := range ch {
		ch[c] = make([]float64, 8192)
	}
	for {
		n, err := src.Read(ch)
		if n > 0 {
			m.Write(ch[0][:n])
		}
		if errors.Is(err, io.EOF) {
			return float64(m.Levels().Speech)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// Levels alone: which files stand off the others.
func TestStandOff(t *testing.T) {
	at := func(speech, floor float64) File {
		return File{Heard: &Heard{Speech: dsp.DBFS(speech), Floor: dsp.DBFS(floor)}}
	}
	for _, c := range []struct {
		name  string
		files []File
		want  string // g another gain, r read otherwise, . neither
	}{
		{"two say nothing", []File{at(-22, -70), at(-30, -78)}, ".."},
		{"alike", []File{at(-22, -70), at(-23.9, -71), at(-20.5, -69)}, "..."},
		{"one other gain", []File{at(-22, -70), at(-23, -70), at(-28, -76)}, "..g"},
		{"louder", []File{at(-22, -70), at(-23, -70), at(-17, -65)}, "..g"},
		{"a whispered one", []File{at(-22, -70), at(-23, -70), at(-31, -70.5)}, "..r"},
		{"two days of as many", []File{at(-28, -76), at(-22, -70), at(-28.5, -76), at(-22.5, -70)}, ".g.g"},
		{"a slope is none", []File{at(-20, -70), at(-21.8, -70), at(-23.5, -70), at(-24, -70)}, "...."},
	} {
		for i := range c.files {
			c.files[i].Path = fmt.Sprint(i)
		}
		got := []byte(strings.Repeat(".", len(c.files)))
		for _, o := range standOff(c.files) {
			got[o.file.Path[0]-'0'] = map[bool]byte{true: 'g', false: 'r'}[o.isGain()]
		}
		if string(got) != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// Music has a level of its own: it stands off nobody.
func TestGainsLeaveAssetsOut(t *testing.T) {
	var a Answer
	for i, speech := range []dsp.DBFS{-22, -23, -22.5, -12} {
		f := File{Path: fmt.Sprint(i), Role: pipeline.RoleChapter, Heard: &Heard{Speech: speech, Floor: speech - 50}}
		if speech == -12 {
			f.Role = pipeline.RoleAsset
		}
		a.Files = append(a.Files, f)
	}
	if a.gains(); len(a.Remarks) > 0 {
		t.Errorf("%+v", a.Remarks)
	}
	a.Files[3].Role = pipeline.RoleChapter
	if a.gains(); len(a.Remarks) != 1 || a.Remarks[0].File != "3" {
		t.Errorf("%+v", a.Remarks)
	}
}

// A version is told by length, by digest, or not yet.
func TestVersions(t *testing.T) {
	chapter := func(n int, file string) pipeline.TitleChapter {
		return pipeline.TitleChapter{Number: n, Name: file, Parts: []pipeline.TitlePart{{File: file}}}
	}
	before := pipeline.Submission{
		Title:   pipeline.Title{Chapters: []pipeline.TitleChapter{chapter(1, "a"), chapter(2, "b"), chapter(3, "c"), chapter(4, "d")}},
		Sources: []pipeline.SourceFile{{Path: "a", Blob: "aa", Bytes: 10}, {Path: "b", Blob: "bb", Bytes: 10}, {Path: "c", Blob: "cc", Bytes: 10}},
	}
	type is struct {
		blob  pipeline.Digest
		bytes int64
	}
	for _, c := range []struct {
		name  string
		title []pipeline.TitleChapter
		files map[string]is
		want  string
		whole bool
	}{
		{"the same", []pipeline.TitleChapter{chapter(1, "a"), chapter(2, "b")}, map[string]is{"a": {"aa", 10}, "b": {"bb", 10}}, "", true},
		{"the same under another name", []pipeline.TitleChapter{chapter(1, "x")}, map[string]is{"x": {"aa", 10}}, "", true},
		{"another length", []pipeline.TitleChapter{chapter(1, "a"), chapter(2, "b")}, map[string]is{"a": {"", 11}, "b": {"bb", 10}}, "a", true},
		{"another content", []pipeline.TitleChapter{chapter(1, "a"), chapter(2, "b")}, map[string]is{"a": {"aa", 10}, "b": {"zz", 10}}, "b", true},
		{"not known yet", []pipeline.TitleChapter{chapter(1, "a"), chapter(2, "b")}, map[string]is{"a": {"", 10}, "b": {"zz", 10}}, "b", false},
		{"two that were changed round", []pipeline.TitleChapter{chapter(1, "b"), chapter(2, "a")}, map[string]is{"a": {"aa", 10}, "b": {"bb", 10}}, "b a", true},
		{"not there", []pipeline.TitleChapter{chapter(1, "a")}, map[string]is{"a": {"", -1}}, "", true},
		{"was missing before", []pipeline.TitleChapter{chapter(4, "d")}, map[string]is{"d": {"dd", 10}}, "d", true},
		{"a new chapter", []pipeline.TitleChapter{chapter(5, "e")}, map[string]is{"e": {"ee", 10}}, "", true},
	} {
		found, whole := Versions(before, pipeline.Title{Chapters: c.title}, func(file string) (pipeline.Digest, int64) { return c.files[file].blob, c.files[file].bytes })
		var got []string
		for _, r := range found {
			if r.File != "" {
				got = append(got, r.File)
			}
		}
		if strings.Join(got, " ") != c.want || whole != c.whole {
			t.Errorf("%s: %q, whole %t", c.name, got, whole)
		}
	}
	if found := Twice([]pipeline.SourceFile{{Path: "a", Blob: "1"}, {Path: "b", Blob: "2"}, {Path: "c", Blob: "1"}}); len(found) != 1 || found[0].File != "c" {
		t.Errorf("%+v", found)
	}
}

// Numbers of chapters in words, and no end of remarks.
func TestWords(t *testing.T) {
	for want, n := range map[string][]int{"chapter 3": {3}, "chapters 1, 2": {2, 1}, "chapters 1 to 3, 7, 9, 10": {1, 2, 3, 7, 9, 10, 9}} {
		if got := chapters(n); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	var many []Remark
	for i := range 400 {
		many = append(many, Remark{File: fmt.Sprintf("%d\x1b[2J", i), About: Version, Text: "is new"})
	}
	if s := lines(many); strings.Count(s, "\n") != 9 || !strings.Contains(s, "and 392 more") || strings.Contains(s, "\x1b") {
		t.Errorf("%q", s)
	}
}

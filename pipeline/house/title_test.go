package house

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"chapterhouse/pipeline"
)

// titleOf reads a title.yaml beside the files a.wav, b.flac and c.mp3 in the
// good house, with decisions beside it if there are any.
func titleOf(t *testing.T, text, decided string) (pipeline.Title, []pipeline.Decision, *House, error) {
	t.Helper()
	files := map[string]string{"t/a.wav": "", "t/b.flac": "", "t/c.mp3": "", "t/disc/d.wav": ""}
	if text != "" {
		files["t/title.yaml"] = text
	}
	if decided != "" {
		files["t/decisions.yaml"] = decided
	}
	h := good(t, files)
	title, decisions, err := h.Title(filepath.Join(h.Root, "t"))
	return title, decisions, h, err
}

// line is a chapter on one line.
func line(c pipeline.TitleChapter) string {
	s := fmt.Sprintf("%d %s %s:", c.Number, c.Role, c.Name)
	for _, p := range c.Parts {
		s += fmt.Sprintf(" %s %g-%g %s/%s/%s +%g;", p.File, p.FromS, p.ToS, p.Narrator, p.Setup, p.Session, p.PauseS)
	}
	return s
}

func TestTitle(t *testing.T) {
	for _, tt := range []struct{ name, text, want string }{
		{"numbers and roles", `
title: The Long Ladder
narrator: ines-marlow
setup: hall
chapters:
  - {chapter: Opening, role: opening, file: a.wav}
  - {chapter: One, file: a.wav, session: monday, from_s: 1.5, to_s: 2}
  - {chapter: Seven, number: 7, file: b.flac}
  - {chapter: A Song, role: asset, file: b.flac}
  - {chapter: Closing, role: closing, file: disc/d.wav}
  - {chapter: Eight, file: a.wav}
`, `0 opening Opening: a.wav 0-0 ines-marlow/hall/ +0;
1 chapter One: a.wav 1.5-2 ines-marlow/hall/monday +0;
7 chapter Seven: b.flac 0-0 ines-marlow/hall/ +0;
10 asset A Song: b.flac 0-0 // +0;
9 closing Closing: disc/d.wav 0-0 ines-marlow/hall/ +0;
8 chapter Eight: a.wav 0-0 ines-marlow/hall/ +0;`},
		{"voices of parts", `
title: Two Voices
narrator: ines-marlow
setup: cupboard
chapters:
  - chapter: One
    session: monday
    parts:
      - {file: a.wav}
      - {file: a.wav, session: tuesday, pause_s: 0.5}
      - {file: b.flac, setup: hall}
      - {file: b.flac, narrator: otto-kessling}
  - {chapter: Two, narrator: otto-kessling, file: a.wav}
  - chapter: Three
    narrator: otto-kessling
    parts: [{file: a.wav}, {file: b.flac, narrator: ines-marlow, setup: hall}]
`, `1 chapter One: a.wav 0-0 ines-marlow/cupboard/monday +0; a.wav 0-0 ines-marlow/cupboard/tuesday +0.5; b.flac 0-0 ines-marlow/hall/monday +0; b.flac 0-0 otto-kessling/desk/ +0;
2 chapter Two: a.wav 0-0 otto-kessling/desk/ +0;
3 chapter Three: a.wav 0-0 otto-kessling/desk/ +0; b.flac 0-0 ines-marlow/hall/ +0;`},
		{"chapters of the folder", "title: As It Lies\nnarrator: otto-kessling\n",
			`1 chapter A: a.wav 0-0 otto-kessling/desk/ +0;
2 chapter B: b.flac 0-0 otto-kessling/desk/ +0;
3 chapter C: c.mp3 0-0 otto-kessling/desk/ +0;`},
		{"an excerpt beside chapters of the folder", "title: As It Lies\nnarrator: otto-kessling\nchapters: [{chapter: Excerpt, role: excerpt, file: b.flac, from_s: 30, to_s: 210}]\n",
			`1 chapter A: a.wav 0-0 otto-kessling/desk/ +0;
2 chapter B: b.flac 0-0 otto-kessling/desk/ +0;
3 chapter C: c.mp3 0-0 otto-kessling/desk/ +0;
4 excerpt Excerpt: b.flac 30-210 otto-kessling/desk/ +0;`},
		{"an asset alone is all there is", "title: As It Lies\nchapters: [{chapter: Prelude, role: asset, file: a.wav}]\n", "1 asset Prelude: a.wav 0-0 // +0;"},
		{"a number for a name", "title: 1871\nchapters: [{chapter: 12, file: a.wav}]\n", "1 chapter 12: a.wav 0-0 // +0;"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			title, _, _, err := titleOf(t, tt.text, "")
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, c := range title.Chapters {
				got = append(got, line(c))
			}
			if g := strings.Join(got, "\n"); g != tt.want {
				t.Errorf("got\n%s\nwant\n%s", g, tt.want)
			}
		})
	}
}

func TestTitleHead(t *testing.T) {
	title, decisions, h, err := titleOf(t, "title: \"Cafe\u0301\"\nspecs: [library]\nrate_hz: 48000\nchapters: [{chapter: One, file: a.wav}, {chapter: Three, number: 3, file: b.flac}]\n",
		"- {check: noise-floor, spec: library, chapter: 3, at_s: 12.5, why: \"rain on the roof, the author likes it\"}\n"+
			"- {check: noise-floor, spec: library, chapter: 3, at_s: 0:12.5, why: \"rain on the roof, the author likes it\"}\n"+
			"- {check: noise-floor, spec: library, chapter: 3, at_s: \"00:00:12.5\", why: \"rain on the roof, the author likes it\"}\n")
	if err != nil {
		t.Fatal(err)
	}
	if title.Slug != "t" || title.Name != "Caf\u00e9" || title.RateHz != 48000 || strings.Join(title.Specs, " ") != "library" {
		t.Errorf("title %+v", title)
	}
	want := pipeline.Decision{Check: "noise-floor", Spec: "library", Chapter: 3, AtS: 12.5, Why: "rain on the roof, the author likes it"}
	if len(decisions) != 3 || decisions[0] != want || decisions[1] != want || decisions[2] != want {
		t.Errorf("decisions %+v", decisions)
	}
	if n := h.Notices(title); len(n) != 2 || n[0].Do != "chapter 2 is missing; add its file, or renumber the chapters after it" || n[0].Weight != pipeline.Listen {
		t.Errorf("notices %+v", n)
	}
}

// What is no fault is said all the same: no narrator, no chain, unusual chains.
func TestNotices(t *testing.T) {
	title, _, h, err := titleOf(t, `
title: Notices
narrator: ines-marlow
setup: cupboard
chapters:
  - {chapter: One, file: a.wav}
  - {chapter: Two, file: b.flac, narrator: otto-kessling}
  - {chapter: Three, file: a.wav, narrator: otto-kessling}
`, "")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, n := range h.Notices(title) {
		got = append(got, string(n.Weight)+" "+n.Do)
	}
	want := []string{
		"ready chain cupboard of ines-marlow, stage 2 (highpass): it usually stands before the compressor, which rumble would move",
		"ready otto-kessling has no chain for setup desk yet, so level, edges and checks are all that is done; write a chain and name it in narrator.yaml",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s", strings.Join(got, "\n"))
	}
}

func TestTitleFaultSentences(t *testing.T) {
	var out strings.Builder
	for _, tt := range []struct{ name, text, decided string }{
		{"who and what", `
title: A
narrator: ines-marlo
setup: cupboard
specs: [retial]
rate_hz: 22050
chapters:
  - {chapter: One, file: a.wav, narrator: otto-kessling, setup: hall}
  - {chapter: Two, file: a.wav, narrator: ines-marlow}
  - {chapter: Three, file: a.wav, setup: attic}
`, ""},
		{"setup without narrator", "title: A\nsetup: hall\nchapters: [{chapter: One, file: a.wav}]\n", ""},
		{"files", `
title: A
chapters:
  - {chapter: Missing, file: aa.wav}
  - {chapter: Another, file: 01-low-water.wav}
  - {chapter: Up, file: ../a.wav}
  - {chapter: Absolute, file: /etc/passwd}
  - {chapter: Roundabout, file: disc/../a.wav}
  - {chapter: Here, file: .}
  - {chapter: Nowhere, file: ""}
  - {chapter: Folder, file: disc}
  - {chapter: Through, file: a.wav/b}
  - chapter: Part
    parts: [{file: a.wav}, {file: disc/e.wav}]
`, ""},
		{"chapters", `
title: A
chapters:
  - {chapter: No file}
  - {chapter: Both, file: a.wav, parts: [{file: a.wav}]}
  - {chapter: Empty, parts: []}
  - {chapter: Span, from_s: 1, parts: [{file: a.wav}]}
  - {chapter: Backwards, file: a.wav, from_s: 2, to_s: 1}
  - {chapter: Part, parts: [{file: a.wav, from_s: 2, to_s: 1, pause_s: -1}]}
  - {chapter: Role, file: a.wav, role: prologue}
  - {file: a.wav, number: 1.5, session: Monday Morning}
  - a.wav
`, ""},
		{"numbers", `
title: A
chapters:
  - {chapter: One, file: a.wav}
  - {chapter: Two, number: 1, file: a.wav}
  - {chapter: Zero, number: 0, file: a.wav}
  - {chapter: Opening, role: opening, file: a.wav}
`, ""},
		{"openings", `
title: A
chapters:
  - {chapter: Opening, role: opening, file: a.wav}
  - {chapter: Again, role: opening, number: 5, file: a.wav}
`, ""},
		{"empty", "# later\n", ""},
		{"decisions", "title: A\nchapters: [{chapter: One, file: a.wav}]\n", `
- {check: click, chapter: 2, at_s: 3, why: a latch}
- {check: click, chapter: 1, at_s: -3}
- {check: click, chapter: 1, at_s: 0:75, why: x}
- {check: click, chapter: 1, at_s: 1.5e3, why: x}
- {check: Click, chapter: 1, why: ""}
- {chek: click, chapter: 1, spec: library, why: x}
- {check: click, chapter: 1, spec: library, why: x}
`},
		{"no list of decisions", "title: A\nchapters: [{chapter: One, file: a.wav}]\n", "check: click\n"},
	} {
		_, _, _, err := titleOf(t, tt.text, tt.decided)
		if err == nil {
			t.Errorf("%s: no fault", tt.name)
			continue
		}
		if pipeline.KindOf(err) != pipeline.House {
			t.Errorf("%s: kind %s", tt.name, pipeline.KindOf(err))
		}
		fmt.Fprintf(&out, "== %s\n%v\n", tt.name, err)
	}
	golden(t, "title-faults.golden", out.String())
}

// A chapter's text is counted where title.yaml names it, or where it lies
// beside a recording by the same name; one that can't be used is told with
// its place, and holds nothing up.
func TestManuscripts(t *testing.T) {
	files := map[string]string{"t/a.wav": "", "t/b.wav": "", "t/a.txt": "The tide made a table.\n", "t/pages/b.txt": "Nobody came.", "t/odd.txt": "\xff\xfe", "t/none.txt": " \n"}
	for _, c := range []struct{ yaml, want string }{
		{"", "a.txt 5 6, none"},
		{"title: A\nlanguage: eng\nchapters: [{chapter: One, file: a.wav}, {chapter: Two, file: b.wav, text: pages/b.txt}]\n", "none, pages/b.txt 2 4"},
		{"title: A\nchapters: [{chapter: One, file: a.wav, text: odd.txt}]\n", "none; One was not held against its text: odd.txt is no UTF-8 text · t/title.yaml:2:40: save it as plain text in UTF-8"},
		{"title: A\nchapters: [{chapter: One, file: a.wav, text: none.txt}]\n", "none; One was not held against its text: none.txt holds no words · t/title.yaml:2:40: give the chapter's text"},
		{"title: A\nchapters: [{chapter: One, file: a.wav, text: pages}]\n", "none; One was not held against its text: pages is no regular file · t/title.yaml:2:40: put the file itself here, not a link or folder"},
		{"title: A\nchapters: [{chapter: One, file: a.wav, text: ab.txt}]\n", "none; One was not held against its text: ab.txt is not in the title's folder · t/title.yaml:2:40: did you mean a.txt?"},
		{"title: A\nchapters: [{chapter: One, file: a.wav, text: ../house.yaml}]\n", "t/title.yaml:2:40: text leaves the title's folder; give the name of a file in it"},
	} {
		if c.yaml != "" {
			files["t/title.yaml"] = c.yaml
		}
		h := good(t, files)
		title, _, err := h.Title(filepath.Join(h.Root, "t"))
		var said []string
		for _, ch := range title.Chapters {
			if ch.Text == nil {
				said = append(said, "none")
			} else {
				said = append(said, fmt.Sprintf("%s %d %d", ch.Text.File, ch.Text.Words, ch.Text.Syllables))
			}
		}
		got := strings.Join(said, ", ")
		for _, f := range title.Findings {
			if f.Check == pipeline.TextCheck {
				got += "; " + f.Measured + " · " + f.Do
			}
		}
		if err != nil {
			got = err.Error()
		}
		if !strings.Contains(got, c.want) {
			t.Errorf("%q gives %q, want %q", c.yaml, got, c.want)
		}
	}
}

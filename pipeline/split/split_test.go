package split

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

func TestFromFolder(t *testing.T) {
	for _, tt := range []struct {
		name, files string // comma between files
		chapters    string // number role name <- file, one a line
		findings    string
	}{
		{"numbers in front", "10 - Salt.wav,02 - Two Lanterns.flac,1 - Low Water.wav,03.wav,04.wav,05.wav,06.wav,07.wav,08.wav,09.wav",
			`1 chapter Low Water <- 1 - Low Water.wav
2 chapter Two Lanterns <- 02 - Two Lanterns.flac
3 chapter Chapter 3 <- 03.wav
4 chapter Chapter 4 <- 04.wav
5 chapter Chapter 5 <- 05.wav
6 chapter Chapter 6 <- 06.wav
7 chapter Chapter 7 <- 07.wav
8 chapter Chapter 8 <- 08.wav
9 chapter Chapter 9 <- 09.wav
10 chapter Salt <- 10 - Salt.wav`, ""},
		{"what isn't audio, hidden, or deeper", "01-low-water.wav,.02-x.wav,cover.jpg,title.yaml,old/03-y.wav,notes",
			"1 chapter Low Water <- 01-low-water.wav", ""},
		{"formats that can't be read still stand", "01_low_water.MP3,2. Two Lanterns.aiff",
			"1 chapter Low Water <- 01_low_water.MP3\n2 chapter Two Lanterns <- 2. Two Lanterns.aiff", ""},
		{"opening and closing", "00 - Opening Credits.wav,Chapter 1 - Low Water.wav,chapter_02.wav,Closing Credits.wav",
			"0 opening Opening Credits <- 00 - Opening Credits.wav\n1 chapter Low Water <- Chapter 1 - Low Water.wav\n2 chapter Chapter 2 <- chapter_02.wav\n3 closing Closing Credits <- Closing Credits.wav", ""},
		{"credits count along", "01 opening credits.wav,02 Low Water.wav,03 end credits.wav",
			"0 opening opening credits <- 01 opening credits.wav\n2 chapter Low Water <- 02 Low Water.wav\n3 closing end credits <- 03 end credits.wav", ""},
		{"track and chapter number", "01 - Opening.wav,02 - Chapter 1.wav,03 - Chapter 2 - Salt.wav",
			"0 opening Opening <- 01 - Opening.wav\n1 chapter Chapter 1 <- 02 - Chapter 1.wav\n2 chapter Salt <- 03 - Chapter 2 - Salt.wav", ""},
		{"a word is no role", "01 - The Opening Door.wav", "1 chapter The Opening Door <- 01 - The Opening Door.wav", ""},
		{"a prologue may be 0", "00 - Prologue.wav,01 - Salt.wav", "0 chapter Prologue <- 00 - Prologue.wav\n1 chapter Salt <- 01 - Salt.wav", ""},
		{"an opening is 0 even so", "00 - Prologue.wav,01 - Salt.wav,Opening Credits.wav",
			"0 opening Opening Credits <- Opening Credits.wav\n1 chapter Salt <- 01 - Salt.wav\n2 chapter Prologue <- 00 - Prologue.wav",
			"Opening Credits.wav and 00 - Prologue.wav both have number 0; the second was placed last: renumber it, or list both as parts of one chapter in title.yaml"},
		{"a gap", "01 a.wav,02 b.wav,04 d.wav,08 h.wav",
			"1 chapter A <- 01 a.wav\n2 chapter B <- 02 b.wav\n4 chapter D <- 04 d.wav\n8 chapter H <- 08 h.wav",
			"chapter 3 is missing; add its file, or renumber the chapters after it\nchapters 5 to 7 are missing; add their files, or renumber the chapters after them"},
		{"starts late", "02 b.wav", "2 chapter B <- 02 b.wav", "chapter 1 is missing; add its file, or renumber the chapters after it"},
		{"one number twice", "01 a.wav,01 b.wav,02 c.wav",
			"1 chapter A <- 01 a.wav\n2 chapter C <- 02 c.wav\n3 chapter B <- 01 b.wav",
			"01 a.wav and 01 b.wav both have number 1; the second was placed last: renumber it, or list both as parts of one chapter in title.yaml"},
		{"one name twice", "01 Salt.wav,02 Salt.wav", "1 chapter Salt <- 01 Salt.wav\n2 chapter Salt <- 02 Salt.wav",
			`chapters 1 and 2 are both called "Salt"; rename one, or remove it if it is the same recording`},
		{"two openings", "opening credits.wav,Opening.wav,01 a.wav",
			"0 opening opening credits <- opening credits.wav\n1 chapter A <- 01 a.wav\n2 chapter Opening <- Opening.wav",
			"a title has one opening, and Opening.wav would be a second; it was placed as a chapter: rename or remove it\nOpening.wav has no number in its name; it was placed as chapter 2: put its number in front"},
		{"one without a number", "Epilogue.wav,01 a.wav", "1 chapter A <- 01 a.wav\n2 chapter Epilogue <- Epilogue.wav",
			"Epilogue.wav has no number in its name; it was placed as chapter 2: put its number in front"},
		{"none with a number", "b.wav,A.wav", "1 chapter A <- A.wav\n2 chapter B <- b.wav",
			"no file name has a number; the chapters stand in the order of their names: put numbers in front, or write title.yaml"},
		{"a year and an ordinal are no number", "1871.wav", "1 chapter 1871 <- 1871.wav", ""},
		{"an ordinal", "3rd Watch.wav", "1 chapter 3rd Watch <- 3rd Watch.wav", ""},
		{"nothing", "cover.jpg", "", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			chapters, findings := FromFolder(strings.Split(tt.files, ","))
			var got, said []string
			for _, c := range chapters {
				got = append(got, fmt.Sprintf("%d %s %s <- %s", c.Number, c.Role, c.Name, c.Parts[0].File))
			}
			for _, f := range findings {
				said = append(said, f.Do)
				if f.Weight != pipeline.Listen || f.Check != "numbering" {
					t.Errorf("finding %+v", f)
				}
			}
			if g := strings.Join(got, "\n"); g != tt.chapters {
				t.Errorf("chapters\n%s\nwant\n%s", g, tt.chapters)
			}
			if s := strings.Join(said, "\n"); s != tt.findings {
				t.Errorf("findings\n%s\nwant\n%s", s, tt.findings)
			}
		})
	}
}

// Whatever the names: one chapter a file, every number once, names that a
// person can read, the same chapters whatever the order of the files.
func TestFromFolderProperties(t *testing.T) {
	name := rapid.OneOf(
		rapid.StringMatching(`[0-9]{0,4}[ _.-]{0,3}(chapter |opening|closing credits|end credits)?[0-9]{0,2}[a-zA-Z \x{202e}\x07é-]{0,9}\.(wav|flac|mp3)`),
		rapid.StringMatching(`[0-9]{2} [a-c]\.wav`))
	rapid.Check(t, func(t *rapid.T) {
		files := rapid.SliceOfDistinct(name, func(s string) string { return s }).Draw(t, "files")
		want := 0
		for _, f := range files {
			if Audio(f) {
				want++
			}
		}
		chapters, findings := FromFolder(files)
		if len(chapters) != want {
			t.Fatalf("%d chapters of %d files", len(chapters), want)
		}
		numbers := map[int]bool{}
		for i, c := range chapters {
			if numbers[c.Number] || c.Number < 0 || c.Name == "" || strings.ContainsAny(c.Name, "\u202e\a\n") {
				t.Fatalf("chapter %+v", c)
			}
			numbers[c.Number] = true
			if c.Role == pipeline.RoleClosing && i != len(chapters)-1 || c.Role == pipeline.RoleOpening && (i != 0 || c.Number != 0) {
				t.Fatalf("%s is chapter %d of %d", c.Role, i, len(chapters))
			}
		}
		slices.Reverse(files)
		again, findingsAgain := FromFolder(files)
		if !reflect.DeepEqual(again, chapters) || !reflect.DeepEqual(findingsAgain, findings) {
			t.Fatal("the order of the files matters")
		}
	})
}

// Natural is a strict order over any names, and counts numbers.
func TestNatural(t *testing.T) {
	want := []string{"", "01", "1", "1a", "02", "2", "2 b", "10", "A", "a", "a1", "A2", "a2", "a10", "a10b", "b"}
	got := slices.Clone(want)
	slices.Reverse(got)
	if slices.SortFunc(got, Natural); !slices.Equal(got, want) {
		t.Errorf("got %q", got)
	}
	for _, pair := range [][2]string{{"2", "10"}, {"chapter 9", "Chapter 10"}, {"a2b3", "a2b12"}, {"007", "8"}} {
		if Natural(pair[0], pair[1]) >= 0 || Natural(pair[1], pair[0]) <= 0 {
			t.Errorf("%q is not before %q", pair[0], pair[1])
		}
	}
	name := rapid.StringMatching(`[0-9aAb ]{0,6}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := name.Draw(t, "a"), name.Draw(t, "b"), name.Draw(t, "c")
		if sign(Natural(a, b)) != -sign(Natural(b, a)) || (Natural(a, b) == 0) != (a == b) {
			t.Fatalf("%q and %q", a, b)
		}
		if Natural(a, b) < 0 && Natural(b, c) < 0 && Natural(a, c) >= 0 {
			t.Fatalf("%q, %q, %q", a, b, c)
		}
	})
}

func sign(n int) int { return max(-1, min(1, n)) }

func TestPlan(t *testing.T) {
	sources := map[string]struct {
		rate   int
		frames dsp.Frames
	}{"a.wav": {44100, 441000}, "b.flac": {48000, 480000}}
	source := func(file string) (pipeline.Digest, int, dsp.Frames, bool) {
		s, ok := sources[file]
		return pipeline.DigestOf([]byte(file)), s.rate, s.frames, ok
	}
	title := pipeline.Title{Narrator: "ines-marlow", Setup: "cupboard-2"}
	for _, tt := range []struct {
		name    string
		parts   []pipeline.TitlePart
		spans   []pipeline.Span
		finding string
	}{
		{"whole", []pipeline.TitlePart{{File: "a.wav"}}, []pipeline.Span{{From: 0, To: 441000}}, ""},
		{"each at its rate", []pipeline.TitlePart{{File: "a.wav", FromS: 1, ToS: 2}, {File: "b.flac", FromS: 1, ToS: 2}},
			[]pipeline.Span{{From: 44100, To: 88200}, {From: 48000, To: 96000}}, ""},
		{"nearest frame", []pipeline.TitlePart{{File: "a.wav", FromS: 0.1234567}}, []pipeline.Span{{From: 5444, To: 441000}}, ""},
		{"a rounded end", []pipeline.TitlePart{{File: "a.wav", ToS: 10.1}}, []pipeline.Span{{From: 0, To: 441000}}, ""},
		{"beyond the end", []pipeline.TitlePart{{File: "b.flac"}, {File: "a.wav", FromS: 1, ToS: 10.2}}, nil,
			"chapter 3 (Salt) asks for 1.00 to 10.20 s of a.wav, which is 10.00 s long; correct from_s and to_s in title.yaml"},
		{"starts beyond the end", []pipeline.TitlePart{{File: "a.wav", FromS: 10}}, nil,
			"chapter 3 (Salt) asks for all from 10.00 s of a.wav, which is 10.00 s long; correct from_s and to_s in title.yaml"},
		{"starts in what is rounded", []pipeline.TitlePart{{File: "a.wav", FromS: 10.02, ToS: 10.05}}, nil,
			"chapter 3 (Salt) asks for 10.02 to 10.05 s of a.wav, which is 10.00 s long; correct from_s and to_s in title.yaml"},
		{"unusable", []pipeline.TitlePart{{File: "c.mp3"}}, nil,
			"c.mp3 can't be used, so chapter 3 (Salt) is missing; send it again as wav or flac"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			title.Chapters = []pipeline.TitleChapter{{Number: 3, Name: "Salt", Role: pipeline.RoleChapter, Parts: tt.parts}}
			chapters, findings := Plan(title, source)
			if tt.finding != "" {
				if len(chapters) != 0 || len(findings) != 1 || findings[0].Do != tt.finding || findings[0].Weight != pipeline.Return {
					t.Errorf("chapters %+v, findings %+v", chapters, findings)
				}
				return
			}
			if len(chapters) != 1 || len(findings) != 0 {
				t.Fatalf("chapters %+v, findings %+v", chapters, findings)
			}
			for i, p := range chapters[0].Parts {
				if p.Span != tt.spans[i] || p.Source != pipeline.DigestOf([]byte(tt.parts[i].File)) || p.Path != tt.parts[i].File {
					t.Errorf("part %d is %+v", i, p)
				}
			}
		})
	}
}

func TestPlanFillsVoices(t *testing.T) {
	title := pipeline.Title{Narrator: "ines-marlow", Setup: "cupboard-2", Chapters: []pipeline.TitleChapter{{Parts: []pipeline.TitlePart{
		{File: "a", Session: "monday"}, {File: "a", Setup: "hall"}, {File: "a", Narrator: "otto-kessling", PauseS: 1}, {File: "a", Narrator: "otto-kessling", Setup: "desk"},
	}}}}
	chapters, _ := Plan(title, func(string) (pipeline.Digest, int, dsp.Frames, bool) { return "", 48000, 100, true })
	want := []pipeline.Voice{
		{Narrator: "ines-marlow", Setup: "cupboard-2", Session: "monday"}, {Narrator: "ines-marlow", Setup: "hall"},
		{Narrator: "otto-kessling"}, {Narrator: "otto-kessling", Setup: "desk"},
	}
	for i, p := range chapters[0].Parts {
		if p.Voice != want[i] {
			t.Errorf("part %d is %+v, want %+v", i, p.Voice, want[i])
		}
	}
	if chapters[0].Parts[2].Join.PauseS != 1 {
		t.Error("the pause is lost")
	}
}

func TestWorkRate(t *testing.T) {
	for _, tt := range []struct {
		rates []int
		want  int
	}{
		{nil, 44100}, {[]int{48000}, 48000}, {[]int{44100, 48000, 44100}, 44100}, {[]int{48000, 44100}, 48000}, {[]int{44100, 48000}, 48000},
		{[]int{48000, 44100, 44100, 48000}, 48000}, {[]int{22050}, 44100}, {[]int{32000}, 44100}, {[]int{88200}, 88200}, {[]int{96000}, 96000},
		{[]int{176400}, 88200}, {[]int{192000}, 96000}, {[]int{384000}, 96000},
	} {
		if got := WorkRate(tt.rates); got != tt.want {
			t.Errorf("%v: %d, want %d", tt.rates, got, tt.want)
		}
	}
}

// FuzzFromFolder: any name is safe.
func FuzzFromFolder(f *testing.F) {
	f.Add("01 - a.wav\n02-b.flac\nopening credits.mp3")
	f.Fuzz(func(t *testing.T, names string) {
		files := strings.Split(names, "\n")
		chapters, _ := FromFolder(files)
		if len(chapters) > len(files) {
			t.Error("more chapters than files")
		}
	})
}

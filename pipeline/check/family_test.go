package check

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// aBook is a title of one narrator: chapters that differ a little in every
// trait, half of them in another session where sessions is 2.
func aBook(chapters, sessions int) Title {
	t := Title{}
	for i := range chapters {
		ripple := float64(i%3) - 1 // -1, 0, 1
		l := pipeline.Likeness{Speech: dsp.DBFS(-24 + 0.5*ripple), Floor: dsp.DBFS(-70 + ripple), SNR: dsp.DB(46 - 0.5*ripple), Pace: 4.5 + 0.1*ripple, DirectDB: dsp.DB(-3 + 0.2*ripple)}
		for j := range spectrum.ThirdOctaves() {
			l.Spectrum = append(l.Spectrum, dsp.DBFS(-10-float64(j)+0.5*ripple))
		}
		session := fmt.Sprintf("day-%d", 1+i*sessions/chapters)
		t.Chapters = append(t.Chapters, pipeline.ChapterOutcome{Number: i + 1, Role: pipeline.RoleChapter,
			Parts: []pipeline.PartOutcome{{Part: pipeline.Part{Source: "s", Voice: pipeline.Voice{Narrator: "n", Setup: "booth", Chain: "c"}},
				Session: session, Profile: pipeline.ProfileRecord{SpeechS: 600}, Likeness: l}},
			Files: []pipeline.FileOutcome{{Record: pipeline.FileRecord{Stages: []pipeline.StageUse{{Stage: "compressor", P95DB: dsp.DB(-3 + 0.3*ripple)}, {Stage: "de-esser", P95DB: -4}}}}}})
		if n := len(t.Sessions); n == 0 || t.Sessions[n-1].Session != session {
			t.Sessions = append(t.Sessions, pipeline.SessionOutcome{Narrator: "n", Setup: "booth", Session: session})
		}
	}
	return t
}

// band is the third octave around a frequency.
func band(hz float64) int {
	for i, b := range spectrum.ThirdOctaves() {
		if hz < b.Upper {
			return i
		}
	}
	return -1
}

// bell raises an octave.
func bell(s pipeline.Spectrum, hz float64, db dsp.DBFS) {
	for i := band(hz) - 1; i <= band(hz)+1; i++ {
		s[i] += db
	}
}

// What lies outside its family is said with its number; what is nearly in it,
// what has too few others and what is too short is not.
func TestFamily(t *testing.T) {
	with := func(change func(*pipeline.PartOutcome)) func(*Title) {
		return func(b *Title) { change(&b.Chapters[2].Parts[0]) }
	}
	for _, c := range []struct {
		name   string
		change func(*Title)
		want   string
	}{
		{"nothing", func(*Title) {}, ""},
		{"level", with(func(p *pipeline.PartOutcome) { p.Likeness.Speech -= 6 }), "-5.5 dB in level beside 7 other parts"},
		{"level, a little", with(func(p *pipeline.PartOutcome) { p.Likeness.Speech -= 3 }), ""},
		{"floor", with(func(p *pipeline.PartOutcome) { p.Likeness.Floor += 8 }), "+9.0 dB in the room's floor"},
		{"pace", with(func(p *pipeline.PartOutcome) { p.Likeness.Pace = 5.6 }), "+24 % in pace"},
		{"room", with(func(p *pipeline.PartOutcome) { p.Likeness.DirectDB = -6 }), "-3.0 dB in how dry"},
		{"tone", with(func(p *pipeline.PartOutcome) { p.Likeness.Spectrum[band(200)] += 6 }), "+6.0 dB about 200 Hz"},
		{"tone of an octave", with(func(p *pipeline.PartOutcome) { bell(p.Likeness.Spectrum, 200, 3.6) }), "+3.6 dB about 200 Hz"},
		{"tone of an octave, a little", with(func(p *pipeline.PartOutcome) { bell(p.Likeness.Spectrum, 200, 2.5) }), ""},
		{"tone that moves the level it is counted against", with(func(p *pipeline.PartOutcome) {
			bell(p.Likeness.Spectrum, 200, 6)
			for i := range p.Likeness.Spectrum {
				p.Likeness.Spectrum[i] -= 3
			}
		}), "+6.0 dB about"},
		{"tone beside one that is odd", func(b *Title) {
			bell(b.Chapters[2].Parts[0].Likeness.Spectrum, 200, 6)
			bell(b.Chapters[4].Parts[0].Likeness.Spectrum, 200, 6)
		}, "+6.0 dB about"},
		{"tone below the voice", with(func(p *pipeline.PartOutcome) { p.Likeness.Spectrum[band(50)] += 20 }), ""},
		{"not measured", with(func(p *pipeline.PartOutcome) { p.Likeness = pipeline.Likeness{Floor: dsp.DBFS(dsp.Silence)} }), ""},
		{"too short", with(func(p *pipeline.PartOutcome) { p.Likeness.Speech, p.Profile.SpeechS = -40, 50 }), ""},
		{"another session", with(func(p *pipeline.PartOutcome) { p.Likeness.Speech, p.Session = -40, "day-9" }), ""},
		{"too few", func(b *Title) { b.Chapters[2].Parts[0].Likeness.Speech = -40; b.Chapters = b.Chapters[:5] }, ""},
		{"enough", func(b *Title) { b.Chapters[2].Parts[0].Likeness.Speech = -40; b.Chapters = b.Chapters[:6] }, "dB in level beside 5 other parts"},
		{"an opening", func(b *Title) { b.Chapters[2].Parts[0].Likeness.Speech, b.Chapters[2].Role = -40, pipeline.RoleOpening }, ""},
	} {
		b := aBook(8, 1)
		c.change(&b)
		got := family().Read(b, 2)
		switch {
		case c.want == "" && len(got) > 0:
			t.Errorf("%s: found %+v", c.name, got)
		case c.want != "" && (len(got) != 1 || !strings.Contains(got[0].Measured, c.want) || got[0].Source != "s" || got[0].Weight != pipeline.Listen):
			t.Errorf("%s: found %+v, want %q", c.name, got, c.want)
		}
	}
}

// A pace that is off by what is measured surely and heard by few is a notice.
func TestFamilyPace(t *testing.T) {
	for _, c := range []struct {
		pace float64
		want []pipeline.Verdict
	}{{4.8, nil}, {5.1, []pipeline.Verdict{pipeline.Ready}}, {5.3, []pipeline.Verdict{pipeline.Listen}}, {3.7, []pipeline.Verdict{pipeline.Listen}}} {
		b := aBook(8, 1)
		b.Chapters[2].Parts[0].Likeness.Pace = c.pace
		var got []pipeline.Verdict
		for _, f := range family().Read(b, 2) {
			got = append(got, f.Weight)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%g beside 4.5 syllables/s: %v, want %v", c.pace, got, c.want)
		}
	}
}

// Where the others lie far apart, more is usual.
func TestFamilySpread(t *testing.T) {
	for _, c := range []struct{ spread, off, want float64 }{{0, 4, 4}, {0.5, 4, 4}, {2, 4, 4 * 1.4826 * 2}} {
		var others []float64
		for i := range 9 {
			others = append(others, -20+c.spread*float64(i%3-1)*1.5)
		}
		// of -1.5, 0 and 1.5 times the spread, a third each, the median deviation is 1.5 times it
		if m, off, ok := usualOf(others, c.off); !ok || m != -20 || off < c.want-1e-9 && c.spread < 1 || c.spread == 2 && off < c.want {
			t.Errorf("spread %g: middle %g, off %g, %v", c.spread, m, off, ok)
		}
	}
	if _, _, ok := usualOf([]float64{1, 1, 1, 1}, 1); ok {
		t.Error("four others are called enough")
	}
}

func TestHistory(t *testing.T) {
	move := func(b *Title, from, db float64) {
		for i := range b.Chapters {
			if p := &b.Chapters[i].Parts[0]; p.Session == "day-2" {
				p.Likeness.Spectrum[band(200)] += dsp.DBFS(db)
				p.Likeness.SNR += dsp.DB(from)
			}
		}
	}
	past := func(chapters int, setup string) map[string][]pipeline.Past {
		l := pipeline.LikenessOf([]pipeline.Likeness{aBook(1, 1).Chapters[0].Parts[0].Likeness})
		l.Pace = 3
		return map[string][]pipeline.Past{"n": {{Title: "an-older-book", Session: "spring", Setup: setup, Chapters: chapters, Likeness: l}}}
	}
	for _, c := range []struct {
		name   string
		change func(*Title)
		want   string
	}{
		{"nothing", func(*Title) {}, ""},
		{"a moved microphone", func(b *Title) { move(b, 0, 4) }, "n, booth, day-2: 4.0 dB up about 200 Hz since session day-1"},
		{"nearly", func(b *Title) { move(b, 0, 2.4) }, ""},
		{"a fan", func(b *Title) { move(b, -8, 0) }, "the room is 8.2 dB less under the voice since session day-1"},
		{"two chapters only", func(b *Title) { move(b, 0, 4); b.Chapters = b.Chapters[:6] }, ""},
		{"an earlier title", func(b *Title) { b.History = past(8, "booth") }, "+48 % in pace since an-older-book, session spring"},
		{"of another setup", func(b *Title) { b.History = past(8, "van") }, ""},
		{"of two chapters", func(b *Title) { b.History = past(2, "booth") }, ""},
	} {
		b := aBook(8, 2)
		c.change(&b)
		got := history().Whole(b)
		switch {
		case c.want == "" && len(got) > 0:
			t.Errorf("%s: found %+v", c.name, got)
		case c.want != "" && (len(got) != 1 || !strings.Contains(got[0].Measured, c.want)):
			t.Errorf("%s: found %+v, want %q", c.name, got, c.want)
		}
	}
}

func TestStageUse(t *testing.T) {
	for _, c := range []struct {
		name   string
		p95    dsp.DB
		change func(*Title)
		want   string
		weight pipeline.Verdict
	}{
		{"as usual", -3.5, nil, "", ""},
		{"deep", -8, nil, "the compressor turns down by 8.0 dB, in other chapters by 3.0", pipeline.Listen},
		{"little", -0.5, nil, "the compressor turns down by 0.5 dB", pipeline.Ready},
		{"two voices", -8, func(b *Title) {
			b.Chapters[2].Parts = append(b.Chapters[2].Parts, pipeline.PartOutcome{Part: pipeline.Part{Voice: pipeline.Voice{Narrator: "m"}}})
		}, "", ""},
		{"others of another chain", -8, func(b *Title) {
			for i := range 3 {
				b.Chapters[4+i].Parts[0].Voice.Chain = "d"
			}
		}, "", ""},
	} {
		b := aBook(8, 1)
		b.Chapters[2].Files[0].Record.Stages[0].P95DB = c.p95
		if c.change != nil {
			c.change(&b)
		}
		got := stageUse().Read(b, 2)
		switch {
		case c.want == "" && len(got) > 0:
			t.Errorf("%s: found %+v", c.name, got)
		case c.want != "" && (len(got) != 1 || !strings.Contains(got[0].Measured, c.want) || got[0].Weight != c.weight):
			t.Errorf("%s: found %+v, want %q", c.name, got, c.want)
		}
	}
}

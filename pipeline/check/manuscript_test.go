package check

import (
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// A chapter's length is held against its text at the narrator's own pace, with
// what most likely happened; where it is not, the check of texts says why.
func TestManuscript(t *testing.T) {
	book := func() Title {
		b := aBook(8, 1)
		for i := range b.Chapters {
			syllables := 3000 + 100*i
			s := 0.25 * float64(syllables) * (1 + 0.02*float64(i%3-1)) // a narrator's own unevenness
			b.Chapters[i].Text = &pipeline.Text{Words: syllables * 2 / 3, Syllables: syllables}
			b.Chapters[i].Parts[0].Profile.Cut = pipeline.Cut{RateHz: 44100, Speech: pipeline.Span{From: 44100, To: 44100 + dsp.FramesIn(s, 44100)}}
			b.Chapters[i].Parts[0].Likeness.Pace = 4.5
		}
		return b
	}
	longer := func(b *Title, by float64) {
		c := &b.Chapters[3].Parts[0].Profile.Cut
		c.Speech.To = c.Speech.From + dsp.Frames(float64(c.Speech.Len())*by)
	}
	for _, c := range []struct {
		name   string
		change func(*Title)
		want   string
		unused string // what is said of the text
	}{
		{"as it should be", func(*Title) {}, "", ""},
		{"7 % longer", func(b *Title) { longer(b, 1.07) }, "", ""},
		{"a page is missing", func(b *Title) { longer(b, 0.85) }, "11:27 min for 2200 words, 13:45 min are expected (-17 %): about 367 words seem to be missing", ""},
		{"read twice", func(b *Title) { longer(b, 1.15) }, "words seem to be too many", ""},
		{"read fast", func(b *Title) { longer(b, 0.88); b.Chapters[3].Parts[0].Likeness.Pace = 5.1 }, "(-14 %): the pace is +13 %", ""},
		{"fast and long", func(b *Title) { longer(b, 1.15); b.Chapters[3].Parts[0].Likeness.Pace = 5.1 }, "words seem to be too many", ""},
		{"no text", func(b *Title) { longer(b, 0.5); b.Chapters[3].Text = nil }, "", ""},
		{"no others with a text", func(b *Title) {
			longer(b, 0.5)
			for i := range b.Chapters {
				if i != 3 && i > 1 {
					b.Chapters[i].Text = nil
				}
			}
		}, "", "no pace of this narrator's is known yet"},
		{"two voices", func(b *Title) {
			b.Chapters[3].Parts = append(b.Chapters[3].Parts, pipeline.PartOutcome{Part: pipeline.Part{Voice: pipeline.Voice{Narrator: "m"}}})
		}, "", "several voices or chains read it"},
		{"the opening", func(b *Title) { b.Chapters[3].Role = pipeline.RoleOpening }, "", "this is the opening"},
		{"a hole", func(b *Title) { b.Chapters[3].Hole = "given up" }, "", ""},
		{"next to nothing was read", func(b *Title) {
			longer(b, 0.05)
			b.Chapters[3].Parts[0].Profile.SpeechS, b.Chapters[3].Parts[0].Likeness.Pace = 30, 0
		}, "words seem to be missing", ""},
		{"a dedication", func(b *Title) {
			longer(b, 0.02)
			b.Chapters[3].Parts[0].Profile.SpeechS, b.Chapters[3].Text = 12, &pipeline.Text{Words: 80, Syllables: 120}
		}, "", "under a minute"},
		{"an earlier title", func(b *Title) {
			longer(b, 0.5)
			b.Chapters = b.Chapters[3:4]
			b.Chapters = append([]pipeline.ChapterOutcome{{}, {}, {}}, b.Chapters...)
			b.History = map[string][]pipeline.Past{"n": {{Title: "older", Likeness: pipeline.Likeness{SyllableS: 0.25}}}}
		}, "(-51 %): about", ""},
	} {
		b := book()
		c.change(&b)
		got := againstManuscript().Read(b, 3)
		switch {
		case c.want == "" && len(got) > 0:
			t.Errorf("%s: found %+v", c.name, got)
		case c.want != "" && (len(got) != 1 || !strings.Contains(got[0].Measured, c.want) || got[0].Weight != pipeline.Listen):
			t.Errorf("%s: found %+v, want %q", c.name, got, c.want)
		}
		switch said := textUnused().Read(b, 3); {
		case c.unused == "" && len(said) > 0:
			t.Errorf("%s: said %+v", c.name, said)
		case c.unused != "" && (len(said) != 1 || !strings.Contains(said[0].Measured, c.unused) || said[0].Weight != pipeline.Ready):
			t.Errorf("%s: said %+v, want %q", c.name, said, c.unused)
		}
	}
}

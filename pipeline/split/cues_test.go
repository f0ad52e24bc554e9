package split

import (
	"fmt"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// TestFromCues: chapters run from cue point to cue point, no second of the
// recording is lost, and what was guessed is said.
func TestFromCues(t *testing.T) {
	const rate, length = 44100, 600
	at := func(s float64) dsp.Frames { return dsp.FramesIn(s, rate) }
	for _, c := range []struct {
		what string
		cues []pipeline.Cue
		want string
		says string // in a finding; "" for none
	}{
		{"in order", []pipeline.Cue{{At: 0, Label: "Low Water"}, {At: at(200), Label: "02 The Weigh House"}}, "1 chapter Low Water 0-200; 2 chapter The Weigh House 200-600", ""},
		{"a lead-in belongs to the first", []pipeline.Cue{{At: at(1.5), Label: "Low Water"}, {At: at(300), Label: "Frost"}}, "1 chapter Low Water 0-300; 2 chapter Frost 300-600", ""},
		{"credits", []pipeline.Cue{{At: 0, Label: "Opening credits"}, {At: at(20), Label: "Low Water"}, {At: at(580), Label: "Closing credits"}}, "0 opening Opening credits 0-20; 1 chapter Low Water 20-580; 2 closing Closing credits 580-600", ""},
		{"what stands before the first", []pipeline.Cue{{At: at(30), Label: "Low Water"}}, "0 opening Opening 0-30; 1 chapter Low Water 30-600", "30 s of book.wav stand before its first cue point"},
		{"no label", []pipeline.Cue{{At: 0, Label: "Low Water"}, {At: at(300)}}, "1 chapter Low Water 0-300; 2 chapter Chapter 2 300-600", "has no label"},
		{"a number alone", []pipeline.Cue{{At: 0, Label: "01"}, {At: at(300), Label: "02"}}, "1 chapter Chapter 1 0-300; 2 chapter Chapter 2 300-600", ""},
		{"two close together", []pipeline.Cue{{At: 0, Label: "Low Water"}, {At: at(300), Label: "Frost"}, {At: at(300.5), Label: "Slip"}}, "1 chapter Low Water 0-300; 2 chapter Frost 300-600", `"Slip", was left out`},
		{"one name twice", []pipeline.Cue{{At: 0, Label: "Frost"}, {At: at(300), Label: "Frost"}}, "1 chapter Frost 0-300; 2 chapter Frost 300-600", "both called"},
		{"two closings", []pipeline.Cue{{At: 0, Label: "Low Water"}, {At: at(300), Label: "Closing"}, {At: at(400), Label: "End credits"}}, "1 chapter Low Water 0-300; 3 closing Closing 300-400; 2 chapter End credits 400-600", "would be a second"},
	} {
		one := pipeline.TitleChapter{Number: 1, Name: "Book", Parts: []pipeline.TitlePart{{File: "book.wav", Narrator: "ines"}}}
		chapters, findings := FromCues(one, c.cues, rate, at(length))
		var got []string
		for _, ch := range chapters {
			p := ch.Parts[0]
			got = append(got, fmt.Sprintf("%d %s %s %g-%g", ch.Number, ch.Role, ch.Name, p.FromS, p.ToS))
			if p.File != "book.wav" || p.Narrator != "ines" {
				t.Errorf("%s: part %+v", c.what, p)
			}
		}
		if s := strings.Join(got, "; "); s != c.want {
			t.Errorf("%s: %s, want %s", c.what, s, c.want)
		}
		said := ""
		for _, f := range findings {
			said += f.Do + "\n"
		}
		if (c.says == "") != (len(findings) == 0) || !strings.Contains(said, c.says) {
			t.Errorf("%s: says %q, want %q", c.what, said, c.says)
		}
	}
}

// TestOver: a chapter is cut at its longest pause in the last 15 % before the
// limit, again and again, and no frame is lost or heard twice.
func TestOver(t *testing.T) {
	const rate = 1000
	limit := Limit{Spec: "own", Minutes: 10, BodyS: 600}
	span := func(from, to float64) pipeline.Span {
		return pipeline.Span{From: dsp.FramesIn(from, rate), To: dsp.FramesIn(to, rate)}
	}
	part := func(source string, from, to, pause float64) pipeline.Part {
		return pipeline.Part{Source: pipeline.Digest(source), Path: source + ".wav", Span: span(from, to), Join: pipeline.Join{PauseS: pause}}
	}
	for _, c := range []struct {
		what   string
		parts  []pipeline.Part
		pauses [][]pipeline.Span
		want   string
		why    string
	}{
		{"once", []pipeline.Part{part("a", 0, 900, 0)}, [][]pipeline.Span{{span(100, 110), span(520, 521), span(550, 552), span(580, 581.5), span(700, 710)}}, "a 0-551 | a 551-900", ""},
		{"twice", []pipeline.Part{part("a", 0, 1400, 0)}, [][]pipeline.Span{{span(550, 551), span(1100, 1102)}}, "a 0-550.5 | a 550.5-1101 | a 1101-1400", ""},
		{"the first of two alike", []pipeline.Part{part("a", 0, 700, 0)}, [][]pipeline.Span{{span(530, 531), span(560, 561)}}, "a 0-530.5 | a 530.5-700", ""},
		{"counted from where the part starts", []pipeline.Part{part("a", 1000, 1900, 0)}, [][]pipeline.Span{{span(550, 560), span(1550, 1552)}}, "a 1000-1551 | a 1551-1900", ""},
		{"in the second part", []pipeline.Part{part("a", 0, 300, 0), part("b", 0, 600, 2)}, [][]pipeline.Span{nil, {span(260, 262)}}, "a 0-300 b 0-261 | b 261-600", ""},
		{"between two parts", []pipeline.Part{part("a", 0, 540, 0), part("b", 0, 300, 2)}, [][]pipeline.Span{{span(530, 531)}, nil}, "a 0-540 | b 0-300", ""},
		{"nobody pauses", []pipeline.Part{part("a", 0, 900, 0)}, [][]pipeline.Span{{span(100, 110), span(500, 509), span(601, 620)}}, "", "is 15.0 min long, own takes 10 min, and nobody pauses between 8.5 and 10.0 min"},
	} {
		rates := make([]int, len(c.parts))
		for i := range rates {
			rates[i] = rate
		}
		chapter := pipeline.Chapter{Number: 4, Name: "Frost", Parts: c.parts}
		pieces, findings, why := Over(chapter, rates, c.pauses, limit)
		if !strings.Contains(why, c.why) || (c.why == "") != (why == "") {
			t.Errorf("%s: %q, want %q", c.what, why, c.why)
		}
		var got []string
		for i, p := range pieces {
			var one []string
			for _, q := range p.Parts {
				one = append(one, fmt.Sprintf("%s %g-%g", q.Source, q.Span.From.Seconds(rate), q.Span.To.Seconds(rate)))
			}
			got = append(got, strings.Join(one, " "))
			if p.Name != fmt.Sprintf("Frost (%d)", i+1) || p.Number != 4+i || p.Parts[0].Join.PauseS != 0 {
				t.Errorf("%s: piece %+v", c.what, p)
			}
			if last := i == len(pieces)-1; last != (len(findings[i]) == 0) {
				t.Errorf("%s: piece %d has findings %+v", c.what, i+1, findings[i])
			}
			if l := Length(p, rates[:len(p.Parts)]); l > limit.BodyS {
				t.Errorf("%s: piece %d is %g s long", c.what, i+1, l)
			}
		}
		if s := strings.Join(got, " | "); s != c.want {
			t.Errorf("%s: %s, want %s", c.what, s, c.want)
		}
	}
}

// TestLimitOf: the tightest spec of a run counts, with its head and tail.
func TestLimitOf(t *testing.T) {
	spec := func(name string, minutes, tail float64) pipeline.Spec {
		s := pipeline.Spec{Spec: name, Limits: pipeline.Limits{MaxMinutes: minutes}}
		s.Sound.Edges.TailAimS = tail
		return s
	}
	if _, ok := LimitOf([]pipeline.Spec{spec("a", 0, 3)}); ok {
		t.Error("a spec without a limit has one")
	}
	if l, ok := LimitOf([]pipeline.Spec{spec("a", 0, 3), spec("b", 120, 3), spec("c", 78, 0), spec("d", 79, 90)}); !ok || l.Spec != "d" || l.BodyS != 79*60-90 {
		t.Errorf("%+v, %v", l, ok)
	}
}

package check

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// A pause is held against the narrator's habit, and the one after a heading
// against those of the other chapters.
func TestPauses(t *testing.T) {
	const rate = 48000
	span := func(fromS, s float64) pipeline.Span {
		from := dsp.FramesIn(fromS, rate)
		return pipeline.Span{From: from, To: from + dsp.FramesIn(s, rate)}
	}
	// a chapter of 100 pauses of 0.6 to 1.6 s, then those given
	habit := func(headingS float64, more ...pipeline.Span) func(*pipeline.PartOutcome) {
		return func(p *pipeline.PartOutcome) {
			p.Profile.Cut = pipeline.Cut{Span: pipeline.Span{To: dsp.FramesIn(2000, rate)}, SourceRateHz: rate, RateHz: rate, Speech: span(1, 1900)}
			all := []pipeline.Span{span(0, 0.9)}
			if headingS > 0 {
				all = append(all, span(3, headingS))
			}
			for i := range 100 {
				all = append(all, span(20+5*float64(i), 0.6+0.01*float64(i)))
			}
			all = append(append(all, more...), span(1901, 60))
			p.Likeness.Pauses, p.Longest = pipeline.HabitOf(all, p.Spoken(), rate)
		}
	}
	for _, c := range []struct {
		name   string
		change func(*pipeline.PartOutcome)
		want   []string
		weight pipeline.Verdict
	}{
		{"as usual", habit(1.5), nil, ""},
		{"3 s", habit(1.5, span(900, 3)), nil, ""},
		{"a gap", habit(1.5, span(900, 3.4)), []string{"3.4 s of pause at 900 s, limit 3.0 s"}, pipeline.Listen},
		{"two", habit(1.5, span(900, 5), span(1200, 9)), []string{"9.0 s of pause at 1200 s", "5.0 s of pause at 900 s"}, pipeline.Listen},
		{"at the end", habit(1.5, span(1899, 20)), nil, ""},
		{"a heading that runs on", habit(0.6), nil, ""},
		{"after the heading", habit(2.8), []string{"2.8 s after the heading, 1.5 s in the other chapters at 1 s"}, pipeline.Ready},
		{"long after the heading", habit(4), []string{"4.0 s of pause at 3 s", "4.0 s after the heading, 1.5 s in the other chapters at 1 s"}, pipeline.Listen},
		{"no heading", habit(0), nil, ""},
	} {
		b := aBook(8, 1)
		for i := range b.Chapters {
			habit(1.5 + 0.1*float64(i%3-1))(&b.Chapters[i].Parts[0])
		}
		c.change(&b.Chapters[3].Parts[0])
		var got []string
		for _, f := range pauses().Read(b, 3) {
			got = append(got, fmt.Sprintf("%s at %g s, limit %s", f.Measured, f.StartS, f.Limit))
			if f.Weight != c.weight {
				t.Errorf("%s: %s is %s, want %s", c.name, f.Measured, f.Weight, c.weight)
			}
		}
		if len(got) != len(c.want) {
			t.Errorf("%s: found %q, want %q", c.name, got, c.want)
			continue
		}
		for i := range got {
			if !strings.HasPrefix(got[i], c.want[i]) {
				t.Errorf("%s: found %q, want %q", c.name, got[i], c.want[i])
			}
		}
	}
}

// Of a log-normal habit hardly one pause in 10,000 is called long.
func TestPausesOfAHabit(t *testing.T) {
	const rate, median, sigma = 48000, 0.9, 0.33
	random := rand.New(rand.NewPCG(5, 1))
	beyond, all := 0, 0
	for range 40 {
		b := aBook(8, 1)
		for i := range b.Chapters {
			p := &b.Chapters[i].Parts[0]
			p.Profile.Cut = pipeline.Cut{Span: pipeline.Span{To: dsp.FramesIn(4000, rate)}, SourceRateHz: rate, RateHz: rate, Speech: pipeline.Span{To: dsp.FramesIn(4000, rate)}}
			var spans []pipeline.Span
			for k := range 250 {
				if s := median * math.Exp(sigma*random.NormFloat64()); s >= 0.5 {
					from := dsp.FramesIn(1+12*float64(k), rate)
					spans = append(spans, pipeline.Span{From: from, To: from + dsp.FramesIn(s, rate)})
				}
			}
			all += len(spans)
			p.Likeness.Pauses, p.Longest = pipeline.HabitOf(spans, p.Spoken(), rate)
		}
		for i := range b.Chapters {
			for _, f := range pauses().Read(b, i) {
				if strings.HasSuffix(f.Measured, "of pause") {
					beyond++
				}
			}
		}
	}
	// What is under 0.5 s is no pause here, so the chance is not met exactly.
	if one := float64(all) / float64(max(1, beyond)); one < 3000 {
		t.Errorf("%d of %d pauses are called long, one in %.0f: want one in 10,000 or so", beyond, all, one)
	}
}

// A line that is whispered within a pause makes two of it; what reaches out of it,
// or is too short for a word, does not.
func TestUnspoken(t *testing.T) {
	const rate = 100
	p := Part{RateHz: rate, Marks: pipeline.Marks{Phrases: []meter.Phrase{
		{From: 0, To: 110}, {From: 300, To: 420}, {From: 430, To: 440}, {From: 490, To: 700}, {From: 800, To: 820},
	}}}
	for _, c := range []struct {
		pauses []meter.Window
		want   []pipeline.Span
	}{
		{[]meter.Window{{From: 100, To: 500}}, []pipeline.Span{{From: 100, To: 300}, {From: 420, To: 500}}},
		{[]meter.Window{{From: 100, To: 340}, {From: 480, To: 520}, {From: 690, To: 900}}, []pipeline.Span{{From: 100, To: 340}, {From: 690, To: 900}}},
		{nil, []pipeline.Span{}},
	} {
		if got := p.Unspoken(c.pauses, 0.5); !slices.Equal(got, c.want) {
			t.Errorf("%v: %v, want %v", c.pauses, got, c.want)
		}
	}
}

package split

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

const excerptRate = 1000

func spanS(from, to float64) pipeline.Span {
	return pipeline.Span{From: dsp.FramesIn(from, excerptRate), To: dsp.FramesIn(to, excerptRate)}
}

// heard is a chapter of one part with pauses of a second around each place.
func heard(number int, lengthS float64, places ...float64) (pipeline.ChapterOutcome, [][]pipeline.Span) {
	part := pipeline.PartOutcome{Part: pipeline.Part{Source: pipeline.Digest(fmt.Sprint("s", number)), Path: fmt.Sprintf("%d.wav", number), Span: spanS(0, lengthS)}}
	part.Profile.Cut.SourceRateHz = excerptRate
	var pauses []pipeline.Span
	for _, at := range places {
		pauses = append(pauses, spanS(at-0.5, at+0.5))
	}
	return pipeline.ChapterOutcome{
		Number: number, Name: fmt.Sprint("Chapter ", number), Role: pipeline.RoleChapter,
		Parts: []pipeline.PartOutcome{part}, Files: []pipeline.FileOutcome{{}},
	}, [][]pipeline.Span{pauses}
}

func TestExcerpt(t *testing.T) {
	every := func(step, to float64) (places []float64) {
		for at := step; at < to; at += step {
			places = append(places, at)
		}
		return places
	}
	at := func(from, to float64, w pipeline.Verdict) pipeline.Finding {
		return pipeline.Finding{Check: "clipped", Source: "s1", StartS: from, EndS: to, Weight: w}
	}
	for _, c := range []struct {
		name   string
		places []float64 // of chapter 1, which is 1000 s long
		found  []pipeline.Finding
		change func(*pipeline.ChapterOutcome)
		want   string // of chapter 1; "" none
	}{
		{name: "the earliest of three minutes", places: every(20, 1000), want: "20-200"},
		{name: "the nearest from one place", places: []float64{10, 170, 184, 230}, want: "10-184"},
		{name: "steps, not hundredths, decide between places", places: []float64{10, 185, 300, 480}, want: "10-185"},
		{name: "a later place that is a step nearer", places: []float64{10, 100, 500, 680}, want: "500-680"},
		{name: "too short and too long", places: []float64{10, 79, 370}, want: ""},
		{name: "the shortest", places: []float64{10, 80, 800}, want: "10-80"},
		{name: "the longest", places: []float64{10, 300}, want: "10-300"},
		{name: "no pause", want: ""},
		{name: "after what asks for an ear", places: every(20, 1000), found: []pipeline.Finding{at(150, 150, pipeline.Listen)}, want: "160-340"},
		{name: "in front of what is to be returned", places: []float64{20, 110, 200, 300}, found: []pipeline.Finding{at(150, 900, pipeline.Return)}, want: "20-110"},
		{name: "what began before goes on", places: []float64{20, 200, 300, 480}, found: []pipeline.Finding{at(5, 250, pipeline.Listen)}, want: "300-480"},
		{name: "a notice is no obstacle", places: every(20, 1000), found: []pipeline.Finding{at(100, 100, pipeline.Ready)}, want: "20-200"},
		{name: "nor what was accepted", places: every(20, 1000), found: []pipeline.Finding{{Check: "clipped", Source: "s1", StartS: 100, Weight: pipeline.Return, Accepted: "the bell"}}, want: "20-200"},
		{name: "nor another source's", places: every(20, 1000), found: []pipeline.Finding{{Check: "clipped", Source: "other", StartS: 100, Weight: pipeline.Return}}, want: "20-200"},
		{name: "all of the source", places: every(20, 1000), found: []pipeline.Finding{at(0, 0, pipeline.Listen)}, want: ""},
		{name: "the chapter as a whole", places: every(20, 1000), found: []pipeline.Finding{{Check: "noise-floor", Spec: "retail", Weight: pipeline.Return}}, want: ""},
		{name: "a hole", places: every(20, 1000), change: func(ch *pipeline.ChapterOutcome) { ch.Hole = "gone" }, want: ""},
		{name: "a closing", places: every(20, 1000), change: func(ch *pipeline.ChapterOutcome) { ch.Role = pipeline.RoleClosing }, want: ""},
		{name: "not the pause in front of the chapter's name", places: []float64{0.5, 180.5, 360.5}, want: "180.5-360.5"},
		{name: "a span of the source", places: every(20, 1000), change: func(ch *pipeline.ChapterOutcome) { ch.Parts[0].Span = spanS(300, 500) }, want: "320-480"},
	} {
		ch, pauses := heard(1, 1000, c.places...)
		ch.Findings = c.found
		if c.change != nil {
			c.change(&ch)
		}
		got := ""
		if e := Excerpt([]pipeline.ChapterOutcome{ch}, [][][]pipeline.Span{pauses}); e != nil {
			got = fmt.Sprintf("%g-%g", e.FromS, e.ToS)
		}
		if got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// The first chapter that has a stretch of about three minutes gives it; one
// that has less leaves it to a later one.
func TestExcerptOfChapters(t *testing.T) {
	short, a := heard(1, 300, 10, 100)
	good, b := heard(2, 900, 30, 205)
	better, c := heard(3, 900, 30, 210)
	good.Parts[0].Voice = pipeline.Voice{Narrator: "ines", Setup: "hall", Session: "monday"}
	want := pipeline.Excerpt{Chapter: 2, Name: "Chapter 2", File: "2.wav", FromS: 30, ToS: 205, Narrator: "ines", Setup: "hall", Session: "monday"}
	if got := Excerpt([]pipeline.ChapterOutcome{short, good, better}, [][][]pipeline.Span{a, b, c}); got == nil || *got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	if got := Excerpt([]pipeline.ChapterOutcome{short}, [][][]pipeline.Span{nil}); got != nil {
		t.Errorf("%+v where no pause is known", got)
	}
}

// Whatever the pauses and findings, a proposal is one to five minutes, runs from
// pause to pause, has nothing in it, and none is a step nearer to three minutes.
func TestExcerptHolds(t *testing.T) {
	for seed := range uint64(300) {
		rng := rand.New(rand.NewPCG(seed, 7))
		var places []float64
		for at := 1.0; at < 900; at += 2 + 60*rng.Float64() {
			places = append(places, math.Round(at*10)/10)
		}
		ch, pauses := heard(1, 1000, places...)
		for range rng.IntN(6) {
			from := math.Round(9000*rng.Float64()) / 10
			ch.Findings = append(ch.Findings, pipeline.Finding{Source: "s1", StartS: from, EndS: from + float64(rng.IntN(20)), Weight: []pipeline.Verdict{pipeline.Ready, pipeline.Listen, pipeline.Return}[rng.IntN(3)]})
		}
		clean := func(from, to float64) bool {
			for _, f := range ch.Findings {
				if f.Weight != pipeline.Ready && f.StartS < to && f.EndS >= from {
					return false
				}
			}
			return true
		}
		steps := func(from, to float64) float64 { return math.Round(math.Abs(to-from-180) / 30) }
		fewest := math.Inf(1)
		for i, from := range places {
			for _, to := range places[i+1:] {
				if to-from >= 70 && to-from <= 290 && clean(from, to) {
					fewest = min(fewest, steps(from, to))
				}
			}
		}
		e := Excerpt([]pipeline.ChapterOutcome{ch}, [][][]pipeline.Span{pauses})
		switch {
		case e == nil && !math.IsInf(fewest, 1):
			t.Errorf("seed %d: none, where one of %g steps is there", seed, fewest)
		case e != nil && (!clean(e.FromS, e.ToS) || steps(e.FromS, e.ToS) != fewest):
			t.Errorf("seed %d: %g-%g is %g steps off, clean %v; best %g", seed, e.FromS, e.ToS, steps(e.FromS, e.ToS), clean(e.FromS, e.ToS), fewest)
		}
	}
}

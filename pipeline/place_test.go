package pipeline

import (
	"testing"

	"chapterhouse/dsp"
)

// TestBodies: parts with a pause between, end to start, and of one recording
// twice; heads, cuts and pauses count as they are laid.
func TestBodies(t *testing.T) {
	part := func(source Digest, fromS, toS, speechFromS, speechToS, pauseS float64) PartOutcome {
		return PartOutcome{
			Part: Part{Source: source, Join: Join{PauseS: pauseS}},
			Profile: ProfileRecord{Cut: Cut{
				Source: source, SourceRateHz: 48000, RateHz: 1000,
				Span:   Span{From: dsp.FramesIn(fromS, 48000), To: dsp.FramesIn(toS, 48000)},
				Speech: Span{From: dsp.FramesIn(speechFromS, 1000), To: dsp.FramesIn(speechToS, 1000)},
			}},
		}
	}
	spec := Spec{Sound: Sound{Edges: Edges{HeadAimS: 0.75}}}
	ch := ChapterOutcome{Role: RoleChapter, Parts: []PartOutcome{
		part("a", 0, 60, 0.5, 58, 0),     // spoken up to 58 s
		part("b", 100, 130, 1, 29, 1.5),  // behind a pause; its end is joined to the next
		part("a", 200, 260, 2, 55, 0),    // end to start
		part("c", 0, 20, 0.25, 19, 0.25), // behind a short pause
	}}
	bodies := ch.Bodies(spec)
	want := Bodies{
		{Source: "a", FileS: 0.75, SourceS: 0.5, LengthS: 57.5},
		{Source: "b", FileS: 59.75, SourceS: 101, LengthS: 29},
		{Source: "a", FileS: 88.75, SourceS: 200, LengthS: 55},
		{Source: "c", FileS: 144, SourceS: 0.25, LengthS: 18.75},
	}
	if len(bodies) != len(want) {
		t.Fatalf("%+v", bodies)
	}
	for i := range want {
		if bodies[i] != want[i] {
			t.Errorf("%d: %+v, not %+v", i, bodies[i], want[i])
		}
	}
	for _, c := range []struct {
		source Digest
		at     float64
		want   float64
		ok     bool
	}{
		{"a", 0.5, 0.75, true}, {"a", 58, 58.25, true}, {"a", 210, 98.75, true}, {"b", 130, 88.75, true}, {"a", 0.2, 0, false}, {"a", 59, 0, false}, {"b", 100.5, 0, false}, {"d", 1, 0, false},
	} {
		if s, ok := bodies.InFile(c.source, c.at); s != c.want || ok != c.ok {
			t.Errorf("%s at %g s: %g, %v", c.source, c.at, s, ok)
		}
	}
	for _, c := range []struct {
		at     float64
		source Digest
		want   float64
	}{
		{0, "a", 0.5}, {10.75, "a", 10.5}, {58.5, "a", 58}, {59.6, "b", 101}, {89.75, "a", 201}, {500, "c", 19},
	} {
		if body, s, ok := bodies.InSource(c.at); body.Source != c.source || s != c.want || !ok {
			t.Errorf("%g s: %s at %g s, %v", c.at, body.Source, s, ok)
		}
	}
	ch.Role = RoleAsset
	ch.Parts = ch.Parts[:1]
	if got := ch.Bodies(spec); len(got) != 1 || got[0].FileS != 0 || got[0].LengthS != 60 {
		t.Errorf("an asset: %+v", got)
	}
	ch.Parts[0].Profile = ProfileRecord{}
	if got := ch.Bodies(spec); got != nil {
		t.Errorf("a hole: %+v", got)
	}
	if _, _, ok := Bodies(nil).InSource(3); ok {
		t.Error("a hole has a place")
	}
}

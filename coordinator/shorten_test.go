package coordinator

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// limit gives the retail spec a length that its files may have.
func (w *world) limit(minutes float64) { w.sub.Specs[1].Limits.MaxMinutes = minutes }

// contents is a title's chapters on a line each: number, name, spans in seconds.
func contents(o pipeline.Outcome) (lines []string) {
	for _, ch := range o.Chapters {
		line := fmt.Sprintf("%d %s", ch.Number, ch.Name)
		for _, p := range ch.Parts {
			line += fmt.Sprintf(" %g-%g", p.Span.From.Seconds(44100), p.Span.To.Seconds(44100))
		}
		lines = append(lines, line)
	}
	return lines
}

func expectLines(t *testing.T, what string, got, want []string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("%s:\n%s\nwant\n%s", what, strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// Chapters over the tightest limit of the run are cut for all of its specs, and
// what follows is numbered on; only they are surveyed, and taking the limit back
// finds everything that was there.
func TestShorten(t *testing.T) {
	w := newWorld(t)
	w.submitAndClose()
	w.limit(10.5) // 626.25 s beside head and tail
	seen, made := w.submitAndClose()
	expectLines(t, "cut", contents(seen.Outcome), []string{
		"1 Low Water 0-600", "2 The Weigh House (1) 0-539.5", "3 The Weigh House (2) 539.5-700",
		"4 Two Lanterns (1) 0-539.5", "5 Two Lanterns (2) 539.5-650", "6 The Crossing 0-300 0-310",
	})
	for step, want := range map[pipeline.Step]int{pipeline.StepSurvey: 2, pipeline.StepProfile: 4, pipeline.StepWeigh: 4, pipeline.StepFile: 8, pipeline.StepCheck: 4} {
		if made[step] != want {
			t.Errorf("%d results of %s, want %d", made[step], step, want)
		}
	}
	var cuts []string
	for _, ch := range seen.Outcome.Chapters {
		for _, f := range ch.Findings {
			if f.Check == "split" {
				cuts = append(cuts, fmt.Sprintf("%d %s %g %s", ch.Number, f.Weight, f.StartS, f.Limit))
			}
		}
	}
	expectLines(t, "findings", cuts, []string{"2 listen 539.5 10.5 min (retail)", "4 listen 539.5 10.5 min (retail)"})
	if again, made := w.submitAndClose(); again.Run != seen.Run || len(made) != 0 {
		t.Errorf("run %s made %v, want %s again", again.Run, made, seen.Run)
	}
	w.limit(120)
	seen, made = w.submitAndClose()
	if w.expectWhole(seen.Outcome); len(made) != 0 {
		t.Errorf("without the limit %v was made", made)
	}
}

// A decision is on a chapter by the number that its file has.
func TestShortenDecided(t *testing.T) {
	w := newWorld(t)
	w.limit(10.5)
	w.sub.Decisions = []pipeline.Decision{
		{Check: "split", Chapter: 4, AtS: 539.5, Why: "a new scene"},
		{Check: "split", Chapter: 9, AtS: 1, Why: "no such"},
	}
	seen, _ := w.submitAndClose()
	for _, ch := range seen.Outcome.Chapters {
		for _, f := range ch.Findings {
			if want := map[int]string{4: "a new scene"}[ch.Number]; f.Check == "split" && f.Accepted != want {
				t.Errorf("chapter %d: accepted %q, want %q", ch.Number, f.Accepted, want)
			}
		}
	}
	if !slices.ContainsFunc(seen.Outcome.Findings, func(f pipeline.Finding) bool {
		return f.Check == "decision" && strings.Contains(f.Measured, "chapter 9")
	}) {
		t.Errorf("nothing is said of a decision on chapter 9: %+v", seen.Outcome.Findings)
	}
}

// A chapter that can't be cut, or whose survey kills its child, is a hole; the
// others are made. One strike is none.
func TestShortenHoles(t *testing.T) {
	bubble(t, "nobody pauses", func(t *testing.T) {
		w := newWorld(t)
		w.record("02-1.flac", recording{seconds: 700, speech: -24.5, booth: -66, dense: true, contents: "dense"})
		w.limit(11)
		seen, _ := w.submitAndClose()
		expectHole(t, seen.Outcome, 2, "nobody pauses between 9.3 and 10.9 min")
	})
	bubble(t, "strikes", func(t *testing.T) {
		w := newWorld(t)
		w.again = time.Second
		w.limit(11)
		w.failing(pipeline.StepSurvey, "02-1.flac", pipeline.Crash, pipeline.Strikes)
		seen, _ := w.submitAndClose()
		expectHole(t, seen.Outcome, 2, "given up after 3 tries")
	})
	bubble(t, "one strike", func(t *testing.T) {
		w := newWorld(t)
		w.again = time.Second
		w.limit(11)
		w.failing(pipeline.StepSurvey, "02-1.flac", pipeline.Crash, 1)
		seen, _ := w.submitAndClose()
		if got := contents(seen.Outcome); len(got) != 5 {
			t.Errorf("%v", got)
		}
	})
}

func expectHole(t *testing.T, o pipeline.Outcome, number int, why string) {
	t.Helper()
	if !slices.ContainsFunc(o.Chapters, func(ch pipeline.ChapterOutcome) bool { return ch.Number == number }) {
		t.Errorf("there is no chapter %d", number)
	}
	for _, ch := range o.Chapters {
		if ch.Number == number && !strings.Contains(ch.Hole, why) || ch.Number != number && ch.Hole != "" {
			t.Errorf("chapter %d: hole %q", ch.Number, ch.Hole)
		}
	}
}

// The one file of a folder is cut at its cue points; what is listed never is.
func TestCues(t *testing.T) {
	at := func(s dsp.Frames, label string) pipeline.Cue { return pipeline.Cue{At: s * second, Label: label} }
	cues := []pipeline.Cue{at(0, "Opening credits"), at(30, "Low Water"), at(330, "")}
	for _, c := range []struct {
		name    string
		found   bool
		is      recording
		excerpt bool
		want    []string
	}{
		{"cued", true, recording{cues: cues}, false, []string{"0 Opening credits 0-30", "1 Low Water 30-330", "2 Chapter 2 330-600"}},
		{"cued, with an excerpt", true, recording{cues: cues}, true, []string{"0 Opening credits 0-30", "1 Low Water 30-330", "2 Chapter 2 330-600", "3 Excerpt 40-200"}},
		{"cued and listed", false, recording{cues: cues}, false, []string{"1 Book 0-600"}},
		{"neither cued nor too long", true, recording{}, false, []string{"1 Book 0-600"}},
		{"a cue sheet and listed", false, recording{sheet: true}, false, []string{"1 Book 0-600"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			w.sub.Title.Chapters, w.sub.Sources, w.sub.Title.Found = nil, nil, c.found
			c.is.seconds, c.is.speech, c.is.booth = 600, -24, -66
			w.chapter(1, "Book", "ines", c.is)
			if c.excerpt {
				w.excerpt(1, 40, 200)
			}
			seen, _ := w.submitAndClose()
			expectLines(t, "chapters", contents(seen.Outcome), c.want)
			for _, ch := range seen.Outcome.Chapters {
				if ch.Hole != "" || len(ch.Files) != 2 || ch.Parts[0].Is == nil || ch.Parts[0].Is.Cues != nil {
					t.Errorf("chapter %d: hole %q, %d files, %+v", ch.Number, ch.Hole, len(ch.Files), ch.Parts[0].Is)
				}
			}
		})
	}
	w := newWorld(t)
	w.sub.Title.Chapters, w.sub.Sources, w.sub.Title.Found = nil, nil, true
	w.chapter(1, "Book", "ines", recording{seconds: 600, speech: -24, booth: -66, sheet: true})
	seen, _ := w.submitAndClose()
	expectHole(t, seen.Outcome, 1, "ask for a WAV with cue points, or list the chapters in title.yaml")
}

// What a survey left is whole at every moment of a night; where it is not, the
// chapters of its source are named, and it is made or written again.
func TestShortenAudited(t *testing.T) {
	cutTitle := func(t testing.TB) *world {
		w := newWorld(t)
		w.limit(10.5)
		return w
	}
	w := cutTitle(t)
	w.submit()
	co := w.coordinator(w.store)
	for closed := false; !closed; w.answer() {
		seen, err := co.Reconcile(t.Context(), title)
		if err != nil {
			t.Fatal(err)
		}
		if got := w.audit(); len(got.Faults) > 0 {
			t.Fatalf("at step %s: %v", seen.Step, faults(got))
		}
		closed = seen.Closed
	}
	want := w.results()
	survey := w.keyOf(pipeline.StepSurvey, "02-1.flac")
	both := title + "/000001/2 ines  02-1.flac; " + title + "/000001/3 ines  02-1.flac"
	for _, c := range []struct {
		name  string
		plant func(*world)
		hits  string
	}{
		{"its commit's record", func(w *world) { w.replace(commitName(survey), `"record":{`, `"rec0rd":{`) }, both},
		{"its recipe", func(w *world) { w.flip(recipeName(survey), 77) }, ""}, // of what it was made it can't tell any more
	} {
		t.Run(c.name, func(t *testing.T) {
			w := cutTitle(t)
			w.submitAndClose()
			c.plant(w)
			got := w.audit()
			if len(got.Faults) != 1 || hits(got.Faults[0]) != c.hits {
				t.Fatalf("%v hit %s", faults(got), hits(got.Faults[0]))
			}
			w.repair()
			w.night(w.coordinator(w.store))
			if got := w.audit(); len(got.Faults) > 0 {
				t.Errorf("after a repair: %v", faults(got))
			}
		})
	}
	// A night that loses a survey before its plan is pinned makes it again.
	w = cutTitle(t)
	w.submit()
	co = w.coordinator(w.store)
	for !w.there(commitName(survey)) {
		if _, err := co.Reconcile(t.Context(), title); err != nil {
			t.Fatal(err)
		}
		w.answer()
	}
	w.delete(commitName(survey))
	w.night(w.coordinator(w.store))
	expectSame(t, "after the loss of a survey", w.results(), want)
}

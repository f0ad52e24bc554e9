package coordinator

import (
	"testing"

	"chapterhouse/pipeline"
)

// A title without an excerpt is proposed one, as title.yaml has to say it; one
// that has it takes its chapter's session and gains, and is proposed none.
func TestExcerpt(t *testing.T) {
	w := newWorld(t)
	seen, _ := w.submitAndClose()
	want := pipeline.Excerpt{Chapter: 1, Name: "Low Water", File: "01-1.flac", FromS: 19.5, ToS: 199.5}
	if e := seen.Outcome.Excerpt; e == nil || *e != want {
		t.Fatalf("%+v, want %+v", e, want)
	}
	// Another voice than the title's has to be said.
	w.sub.Title.Chapters = w.sub.Title.Chapters[2:3]
	w.record("03-1.flac", recording{seconds: 650, speech: -24, booth: -66, contents: "in another booth"})
	seen, _ = w.submitAndClose()
	want = pipeline.Excerpt{Chapter: 3, Name: "Two Lanterns", File: "03-1.flac", FromS: 19.5, ToS: 199.5, Narrator: "tobias", Setup: "booth"}
	if e := seen.Outcome.Excerpt; e == nil || *e != want {
		t.Fatalf("%+v, want %+v", e, want)
	}
	for _, session := range []string{"", "monday"} {
		w = newWorld(t)
		for i := range w.sub.Title.Chapters {
			w.sub.Title.Chapters[i].Parts[0].Session = session
		}
		w.submitAndClose()
		w.excerpt(2, 100, 280)
		w.sub.Title.Chapters[4].Parts[0].Session = "" // it is its recording's all the same
		seen, _ = w.submitAndClose()
		w.expectWhole(seen.Outcome)
		chapter, excerpt := seen.Outcome.Chapters[1], seen.Outcome.Chapters[4]
		if seen.Outcome.Excerpt != nil || excerpt.Role != pipeline.RoleExcerpt {
			t.Errorf("%+v beside a chapter that is %s", seen.Outcome.Excerpt, excerpt.Role)
		}
		if c, e := chapter.Parts[0], excerpt.Parts[0]; e.Session != c.Session || e.FitDB != c.FitDB || excerpt.Files[0].GainDB[0] != chapter.Files[0].GainDB[0] {
			t.Errorf("session %q: the excerpt is of %s with %v and %v, its chapter of %s with %v and %v", session,
				e.Session, e.FitDB, excerpt.Files[0].GainDB, c.Session, c.FitDB, chapter.Files[0].GainDB)
		}
	}
}

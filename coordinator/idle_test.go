package coordinator

import (
	"strings"
	"testing"

	"chapterhouse/pipeline"
)

// A decision that lifts nothing says so, and what would.
func TestIdle(t *testing.T) {
	o := pipeline.Outcome{
		Findings: []pipeline.Finding{{Check: "spread", Spec: "retail"}},
		Chapters: []pipeline.ChapterOutcome{
			{Number: 1, Findings: []pipeline.Finding{
				{Check: "limiter", Spec: "retail", Source: "a", StartS: 17.2}, {Check: "limiter", Spec: "lossless", Source: "a", StartS: 17.24},
				{Check: "clipped", Source: "a", StartS: 17.3},
			}},
			{Number: 2, Hole: "given up after 3 tries"},
		},
	}
	for _, c := range []struct {
		name     string
		decision pipeline.Decision
		says     string // part of what is said; empty: nothing is
	}{
		{"at the place", pipeline.Decision{Check: "clipped", Chapter: 1, AtS: 17.1}, ""},
		{"in its spec", pipeline.Decision{Check: "limiter", Spec: "lossless", Chapter: 1, AtS: 17.2}, ""},
		{"on the title", pipeline.Decision{Check: "spread", Spec: "retail", Chapter: pipeline.WholeTitle}, ""},
		{"on a hole", pipeline.Decision{Check: "clipped", Chapter: 2, AtS: 3}, ""},
		{"another place", pipeline.Decision{Check: "clipped", Chapter: 1, AtS: 18}, "clipped of chapter 1 at 0:18.0 lifts nothing"},
		{"another check", pipeline.Decision{Check: "cliped", Chapter: 1, AtS: 17.3}, "correct check and place"},
		{"for all specs", pipeline.Decision{Check: "limiter", Chapter: 1, AtS: 17.2}, ""},
		{"in another spec", pipeline.Decision{Check: "limiter", Spec: "broadcast", Chapter: 1, AtS: 17.2}, "leave it out for all: it was found in retail and lossless"},
		{"with a spec too many", pipeline.Decision{Check: "clipped", Spec: "retail", Chapter: 1, AtS: 17.3}, "leave the spec out"},
		{"on the title for all specs", pipeline.Decision{Check: "spread", Chapter: pipeline.WholeTitle}, ""},
		{"no such chapter", pipeline.Decision{Check: "clipped", Chapter: 9}, "chapter 9, which this run does not have"},
	} {
		got := idle([]pipeline.Decision{c.decision}, o)
		if c.says == "" {
			if len(got) != 0 {
				t.Errorf("%s: %+v, want nothing said", c.name, got)
			}
			continue
		}
		if len(got) != 1 || got[0].Weight != pipeline.Ready || !strings.Contains(got[0].Measured+": "+got[0].Do, c.says) {
			t.Errorf("%s: %+v, want %q", c.name, got, c.says)
		}
	}
	// Each is told, though what to do is the same: findings of a title are told apart by it.
	three := []pipeline.Decision{{Check: "clipped", Chapter: 1, AtS: 3}, {Check: "clipped", Chapter: 1, AtS: 5}, {Check: "clipped", Chapter: 8}, {Check: "clipped", Chapter: 9}}
	if told, _ := pipeline.Judge(idle(three, o), pipeline.WholeTitle, nil); len(told) != len(three) {
		t.Errorf("of %d decisions %d are told of", len(three), len(told))
	}
}

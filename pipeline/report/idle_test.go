package report

import (
	"bytes"
	"strings"
	"testing"

	"chapterhouse/pipeline"
)

// TestIdleStages: a stage that moved nothing says so, by chapter, in the report and
// on the page; one that worked has its figures.
func TestIdleStages(t *testing.T) {
	var o pipeline.Outcome
	for n := 1; n <= 3; n++ {
		ch := pipeline.ChapterOutcome{Number: n, Files: []pipeline.FileOutcome{{}}}
		ch.Files[0].Record.Stages = []pipeline.StageUse{{Stage: "ride", Share: 0.5, MedianDB: -1, MaxDB: -2}, {Stage: "breaths"}, {Stage: "de-esser", Share: 0.1}}
		if n == 3 {
			ch.Files[0].Record.Stages[0], ch.Files[0].Record.Stages[1].Share = pipeline.StageUse{Stage: "ride"}, 0.2
		}
		o.Chapters = append(o.Chapters, ch)
	}
	var out bytes.Buffer
	line := &text{w: &out}
	line.idle(Report{Outcome: o})
	if got, want := out.String(), "  stage breaths: nothing to do in chapters 1, 2\n  stage ride: nothing to do in chapter 3\n"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	var v chapterView
	v.stages(builder{}, o.Chapters[0])
	var rows []string
	for _, r := range v.Stages {
		rows = append(rows, strings.Join(nonEmpty(r.Stage, r.Idle, r.Active), " "))
	}
	if got := strings.Join(rows[:3], "; "); got != "ride 50 %; breaths nothing to do; de-esser 10 %" {
		t.Errorf("%q", got)
	}
}

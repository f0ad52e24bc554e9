// Package check holds what is noticed about a chapter: one file a check. A
// check either listens to the recording, as a step of a job, or reads the
// records of finished steps when a run closes; neither changes a sample. What
// a finding means for a chapter is Judge's business.
package check

import (
	"fmt"

	"chapterhouse/pipeline"
)

// A Check is one thing that can be noticed. Exactly one of Listen, Read and
// Whole is set.
type Check struct {
	Name string
	Doc  string // the user's help: what it notices, the figure behind it, what to do
	// Listen starts listening to one part's source at its own rate.
	Listen func(p Part) Listener
	// Read looks at a chapter's records, and at its title's.
	Read func(t Title, chapter int) []pipeline.Finding
	// Whole looks at a title's records once: what it finds is no chapter's own.
	Whole func(t Title) []pipeline.Finding
}

// Title is what checks may read: a run's records, chapter by chapter.
type Title struct {
	Specs     map[string]pipeline.Spec
	Narrators map[string]pipeline.Narrator
	Sessions  []pipeline.SessionOutcome
	Chapters  []pipeline.ChapterOutcome  // their Findings are those of the checks that listen
	History   map[string][]pipeline.Past // of each narrator, the latest last
}

// Builtin is every check, in the order findings are listed.
func Builtin() []Check {
	return []Check{
		clipped(),
		digitalSilence(),
		dropout(),
		clicks(),
		mouthNoise(),
		plosives(),
		esses(),
		tooShort(),
		lowRate(),
		onceLossy(),
		gated(),
		floorChange(),
		roomToneJump(),
		drift(),
		channels(),
		hum(),
		repeatedTake(),
		falseStart(),
		limitedPeaks(),
		levelWindow(),
		peakCeiling(),
		noiseFloor(),
		floorTaken(),
		headLength(),
		tailLength(),
		fileLength(),
		excerptLength(),
		titleSpread(),
		join(),
		limiterDepth(),
		fitGain(),
		forcedTrim(),
		sides(),
		family(),
		history(),
		stageUse(),
		againstManuscript(),
		textUnused(),
		pauses(),
		fitNotes(),
	}
}

// Validate reports a check that can't be used: no name or help, two of one
// name, none or several of Listen, Read and Whole.
func Validate(checks []Check) error {
	seen := map[string]bool{}
	for _, c := range checks {
		switch {
		case c.Name == "" || c.Doc == "":
			return fmt.Errorf("check %q lacks a name or help", c.Name)
		case seen[c.Name]:
			return fmt.Errorf("two checks are called %q", c.Name)
		case set(c.Listen != nil)+set(c.Read != nil)+set(c.Whole != nil) != 1:
			return fmt.Errorf("check %q must do one of three: listen, read a chapter, read the whole title", c.Name)
		}
		seen[c.Name] = true
	}
	return nil
}

func set(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Read runs every reading check over a chapter.
func Read(checks []Check, t Title, chapter int) []pipeline.Finding {
	var out []pipeline.Finding
	for _, c := range checks {
		if c.Read != nil {
			out = append(out, by(c, c.Read(t, chapter))...)
		}
	}
	return out
}

// Whole runs every check over the title as a whole.
func Whole(checks []Check, t Title) []pipeline.Finding {
	var out []pipeline.Finding
	for _, c := range checks {
		if c.Whole != nil {
			out = append(out, by(c, c.Whole(t))...)
		}
	}
	return out
}

// by puts a check's name to what it found.
func by(c Check, found []pipeline.Finding) []pipeline.Finding {
	for i := range found {
		found[i].Check = c.Name
	}
	return found
}

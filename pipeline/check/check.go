// Package check holds what is noticed about a chapter: one file a check. A
// check either listens to the recording, as a step of a job, or reads the
// records of finished steps when a run closes; neither changes a sample. What
// a finding means for a chapter is Judge's business.
package check

import (
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// A Check is one thing that can be noticed. Exactly one of Listen and Read is set.
type Check struct {
	Name string
	Doc  string // the user's help: what it notices, the figure behind it, what to do
	// Listen starts listening to one part's source at its own rate.
	Listen func(rateHz int) Listener
	// Read looks at a chapter's records, and at its title's.
	Read func(t Title, chapter int) []pipeline.Finding
}

// A Listener hears one part from start to end, in blocks of any size.
type Listener interface {
	Hear(x []float64)
	Heard() []Stretch
}

// A Stretch is a place in what a listener heard.
type Stretch struct {
	From, To dsp.Frames // counted from the first frame heard
	Measured string
	Limit    string
	Do       string
	Weight   pipeline.Verdict
}

// Title is what checks may read: a run's records, chapter by chapter.
type Title struct {
	Specs    map[string]pipeline.Spec
	Chapters []pipeline.ChapterOutcome
}

// Builtin is every check, in the order findings are listed.
func Builtin() []Check {
	return []Check{
		clipped(),
		digitalSilence(),
		levelWindow(),
		peakCeiling(),
		noiseFloor(),
		floorTaken(),
		headLength(),
		tailLength(),
		fileLength(),
		titleSpread(),
		limiterDepth(),
		fitGain(),
		forcedTrim(),
		sides(),
		noChain(),
		sourceNotes(),
	}
}

// Validate reports a check that can't be used: no name or help, two of one
// name, neither or both of Listen and Read.
func Validate(checks []Check) error {
	seen := map[string]bool{}
	for _, c := range checks {
		switch {
		case c.Name == "" || c.Doc == "":
			return fmt.Errorf("check %q lacks a name or help", c.Name)
		case seen[c.Name]:
			return fmt.Errorf("two checks are called %q", c.Name)
		case (c.Listen == nil) == (c.Read == nil):
			return fmt.Errorf("check %q must either listen or read", c.Name)
		}
		seen[c.Name] = true
	}
	return nil
}

package check

import (
	"slices"
	"testing"

	"chapterhouse/pipeline"
)

// TestDeeds: every check says which of the few things that can be done its
// findings ask for.
func TestDeeds(t *testing.T) {
	all := deeds()
	for _, c := range Builtin() {
		if _, ok := all[c.Name]; !ok {
			t.Errorf("nothing says what the findings of %s ask for", c.Name)
		}
	}
	for name, d := range all {
		if d.act != "" && !slices.Contains(pipeline.Acts(), d.act) {
			t.Errorf("%s asks for %q", name, d.act)
		}
		if d.stage != "" && d.act != pipeline.Change {
			t.Errorf("%s names a stage and changes none", name)
		}
	}
	for _, test := range []struct {
		name string
		f    pipeline.Finding
		want string
	}{
		{"by the check", pipeline.Finding{Check: "plosives", Do: "look"}, "change the plosives stage of the chain"},
		{"the finding's own word", pipeline.Finding{Check: "plosives", Do: "look", Act: pipeline.Pickup}, "pickup"},
		{"the finding's own stage", pipeline.Finding{Check: "stage-use", Do: "look", Stage: "de-esser"}, "change the de-esser stage of the chain"},
		{"no stage", pipeline.Finding{Check: "join", Do: "look"}, "change the chain"},
		{"a booth", pipeline.Finding{Check: "noise-floor", Do: "look"}, "treat the booth"},
		{"nothing to do", pipeline.Finding{Check: "sides", Do: "nothing"}, ""},
		{"nobody knows", pipeline.Finding{Check: "new", Do: "look"}, ""},
	} {
		if got := Deed(test.f).Words(); got != test.want {
			t.Errorf("%s: %q, not %q", test.name, got, test.want)
		}
	}
}

// TestDeedInAChain: a stage that no chain of the finding's recording has is one to
// add.
func TestDeedInAChain(t *testing.T) {
	chain := func(stages ...string) *pipeline.Chain {
		c := &pipeline.Chain{}
		for _, s := range stages {
			c.Stages = append(c.Stages, pipeline.Resolved{Stage: s})
		}
		return c
	}
	part := func(source pipeline.Digest, setup string) pipeline.PartOutcome {
		return pipeline.PartOutcome{Part: pipeline.Part{Source: source, Voice: pipeline.Voice{Narrator: "n", Setup: setup}}}
	}
	title := Title{
		Narrators: map[string]pipeline.Narrator{"n": {Setups: map[string]pipeline.Setup{"a": {Chain: chain("clicks", "ride")}, "b": {Chain: chain("eq")}, "bare": {}}}},
		Chapters:  []pipeline.ChapterOutcome{{Parts: []pipeline.PartOutcome{part("1", "a"), part("2", "b")}}, {Parts: []pipeline.PartOutcome{part("3", "bare")}}},
	}
	for _, c := range []struct {
		name    string
		f       pipeline.Finding
		chapter int
		want    string
	}{
		{"it is there", pipeline.Finding{Check: "clicks", Source: "1"}, 0, "change the clicks stage of the chain"},
		{"not in the other's", pipeline.Finding{Check: "clicks", Source: "2"}, 0, "add the clicks stage to the chain"},
		{"of the whole chapter", pipeline.Finding{Check: "clicks"}, 0, "change the clicks stage of the chain"},
		{"one of two", pipeline.Finding{Check: "limiter", Source: "1"}, 0, "change the ride or compressor stage of the chain"},
		{"neither of two", pipeline.Finding{Check: "limiter", Source: "2"}, 0, "add the ride or compressor stage to the chain"},
		{"no chain", pipeline.Finding{Check: "hum", Source: "3"}, 1, "add the hum stage to the chain"},
		{"no stage is meant", pipeline.Finding{Check: "join"}, 0, "change the chain"},
	} {
		if got := title.Deed(c.f, c.chapter).Words(); got != c.want {
			t.Errorf("%s: %q, not %q", c.name, got, c.want)
		}
	}
}

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
		{"by the check", pipeline.Finding{Check: "plosives", Do: "look"}, "change the plosives"},
		{"the finding's own word", pipeline.Finding{Check: "plosives", Do: "look", Act: pipeline.Pickup}, "pickup"},
		{"the finding's own stage", pipeline.Finding{Check: "stage-use", Do: "look", Stage: "de-esser"}, "change the de-esser"},
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

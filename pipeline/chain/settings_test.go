package chain

import (
	"slices"
	"testing"

	"chapterhouse/pipeline"
)

// TestSettings: what holds for all of a stage comes first, then each band on a line
// with the number that its reason has.
func TestSettings(t *testing.T) {
	for _, c := range []struct {
		params string
		want   []string
	}{
		{`{"cutoff_hz":65,"slope_db_per_octave":18}`, []string{"cutoff_hz 65, slope_db_per_octave 18"}},
		{`{"bands":[{"centre_hz":85,"gain_db":-4,"q":8.7,"shape":"bell"},{"centre_hz":300,"dynamic":{"attack_ms":15,"release_ms":160},"gain_db":-1.5}]}`,
			[]string{"band 1: centre_hz 85, gain_db -4, q 8.7, shape bell", "band 2: centre_hz 300, dynamic.attack_ms 15, dynamic.release_ms 160, gain_db -1.5"}},
		{`{"attack_ms":3,"bands":[{"ratio":1.5}],"crossovers_hz":[200,1800]}`, []string{"attack_ms 3, crossovers_hz 200 1800", "band 1: ratio 1.5"}},
		{`{"crossovers_hz":null,"mouth_clicks":true,"mode":"split"}`, []string{"mode split, mouth_clicks true"}},
		{`{}`, nil},
	} {
		if got := Settings(pipeline.Resolved{Params: []byte(c.params)}); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.params, got, c.want)
		}
	}
}

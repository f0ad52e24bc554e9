package pipeline

import (
	"reflect"
	"testing"
)

// TestTallies: what asks for an ear is counted once whatever the specs, by check
// and by whose it is, and notices are not.
func TestTallies(t *testing.T) {
	f := func(check, spec string, source Digest, at float64, w Verdict, value float64, accepted string) Finding {
		return Finding{Check: check, Spec: spec, Source: source, StartS: at, EndS: at, Weight: w, Value: value, LimitValue: 6, Unit: "dB", Accepted: accepted}
	}
	ines, tobias := PartOutcome{Part: Part{Source: "i", Voice: Voice{Narrator: "ines"}}}, PartOutcome{Part: Part{Source: "t", Voice: Voice{Narrator: "tobias"}}}
	bare := f("note", "", "i", 50, Listen, 0, "it is meant")
	bare.Unit = ""
	o := Outcome{Chapters: []ChapterOutcome{
		{Parts: []PartOutcome{ines}, Findings: []Finding{
			f("limiter", "lossless", "i", 3, Listen, 7, "a shout"), f("limiter", "retail", "i", 3.2, Listen, 7.1, "a shout"),
			f("limiter", "retail", "i", 9, Listen, 6.5, "a shout"), f("limiter", "retail", "i", 20, Listen, 9, ""), f("limiter", "retail", "i", 30, Ready, 4, ""),
			{Check: "spread", Weight: Listen}, bare,
		}},
		{Parts: []PartOutcome{ines, tobias}, Findings: []Finding{f("limiter", "", "t", 4, Listen, 8, ""), f("limiter", "", "i", 4, Listen, 11, ""), {Check: "spread", Weight: Listen}}},
	}}
	nine, eight := 9.0, 8.0
	for who, want := range map[string][]Tally{
		"ines": {
			{Check: "limiter", Found: 4, Dismissed: 2, Unit: "dB", Limit: 6, Values: []float64{6.5, 7}, Kept: &nine},
			{Check: "note", Found: 1, Dismissed: 1}, {Check: "spread", Found: 1},
		},
		"tobias": {{Check: "limiter", Found: 1, Unit: "dB", Limit: 6, Kept: &eight}},
		"nobody": nil,
	} {
		if got := Tallies(o, who); !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %+v", who, got)
		}
	}
}

// TestDismissals: a limit is proposed that spares what was dismissed and nothing
// that stands, as round as can be, on whichever side of it the figures lie.
func TestDismissals(t *testing.T) {
	at := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		name   string
		t      Tally
		limit  float64
		spared int
	}{
		{"all of them", Tally{Dismissed: 3, Unit: "dB", Limit: 15, Values: []float64{15.5, 16, 17.2}}, 18, 3},
		{"up to what stands", Tally{Dismissed: 7, Unit: "dB", Limit: 15, Values: []float64{15.5, 16, 16.2, 17, 17.1, 17.2, 21}, Kept: at(18.5)}, 18, 6},
		{"finer beside what stands", Tally{Dismissed: 3, Unit: "dB", Limit: 15, Values: []float64{15.5, 16, 17.2}, Kept: at(17.8)}, 17.5, 3},
		{"finest", Tally{Dismissed: 3, Unit: "dB", Limit: 15, Values: []float64{15.5, 16, 17.21}, Kept: at(17.23)}, 17.21, 3},
		{"what stands lies below", Tally{Dismissed: 3, Unit: "dB", Limit: 15, Values: []float64{15.5, 16, 17}, Kept: at(15.2)}, 0, 0},
		{"under a limit", Tally{Dismissed: 3, Unit: "s", Limit: 0.5, Values: []float64{0.45, 0.4, 0.31}, Kept: at(0.2)}, 0.3, 3},
		{"too few", Tally{Dismissed: 2, Unit: "dB", Limit: 15, Values: []float64{16, 17}}, 0, 0},
		{"no figures", Tally{Dismissed: 9}, 0, 0},
		{"within the limit", Tally{Dismissed: 3, Unit: "dB", Limit: 15, Values: []float64{15, 15, 15}}, 15, 3},
	} {
		c.t.Check, c.t.Found = "clicks", 9
		got := Dismissals("ines", []Tally{c.t, {Check: "hum", Found: 2}})
		want := []Dismissal{{Narrator: "ines", Check: "clicks", Found: 9, Dismissed: c.t.Dismissed, Spared: c.spared, Limit: c.limit}}
		if c.spared > 0 {
			want[0].Unit = c.t.Unit
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// TestAddTallies: sums are as long whatever they are of.
func TestAddTallies(t *testing.T) {
	var all []Tally
	for i := range 500 {
		v := 10 + float64(i%97)
		all = append(all, Tally{Check: "clicks", Found: 2, Dismissed: 1, Unit: "dB", Limit: 9, Values: []float64{v}, Kept: &v})
	}
	all = append(all, Tally{Check: "clicks", Found: 1, Unit: "a minute", Values: []float64{1}})
	got := AddTallies(all)
	if len(got) != 1 || got[0].Found != 1001 || got[0].Dismissed != 500 || len(got[0].Values) != maxTallied || got[0].Values[0] != 10 || *got[0].Kept != 10 {
		t.Errorf("%+v", got)
	}
}

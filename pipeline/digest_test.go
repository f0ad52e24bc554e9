package pipeline

import (
	"encoding/json"
	"math"
	"testing"

	"chapterhouse/dsp"
)

// The sample object of RFC 8785 section 3.2.2, and its canonical form.
func TestCanonicalFollowsRFC8785(t *testing.T) {
	in := `{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}`
	want := `{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"string":"€$\u000f\nA'B\"\\\\\"/"}`
	got, err := Canonical(json.RawMessage(in))
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestCanonicalIsAFixedPoint(t *testing.T) {
	first, err := Canonical(map[string]any{"b": []any{1.5, "x<y"}, "a": map[string]any{"z": nil, "é": true}})
	if err != nil {
		t.Fatal(err)
	}
	second, err := Canonical(json.RawMessage(first))
	if err != nil {
		t.Fatal(err)
	}
	if string(first) != string(second) {
		t.Errorf("first %s, second %s", first, second)
	}
}

func TestSilenceSurvivesJSON(t *testing.T) {
	type levels struct {
		A dsp.DBFS
		B dsp.LUFS
		C dsp.DB
	}
	in := levels{A: dsp.DBFS(dsp.Silence), B: dsp.LUFS(dsp.Unmeasured), C: -3.25}
	text, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	if want := `{"A":"-inf","B":null,"C":-3.25}`; string(text) != want {
		t.Errorf("got %s, want %s", text, want)
	}
	var out levels
	if err := json.Unmarshal(text, &out); err != nil {
		t.Fatal(err)
	}
	if !math.IsInf(float64(out.A), -1) || !math.IsNaN(float64(out.B)) || out.C != -3.25 {
		t.Errorf("came back as %+v", out)
	}
}

func TestDigestValid(t *testing.T) {
	good := DigestOf([]byte("x"))
	for d, want := range map[Digest]bool{
		good: true, "": false, good[:63]: false, good + "0": false, "../" + good[3:]: false, Digest("A") + good[1:]: false,
	} {
		if d.Valid() != want {
			t.Errorf("%q: %v", d, !want)
		}
	}
}

// A key changes with everything that determines the result, and with nothing else.
func TestKeys(t *testing.T) {
	base := func() Recipe {
		r := NewRecipe(StepWeigh)
		r.Arch = "test"
		r.Weigh = &WeighRecipe{
			Cut:   Cut{Source: DigestOf([]byte("s")), Span: Span{0, 100}, SourceRateHz: 44100, RateHz: 44100, Fold: FoldMono},
			FitDB: 1.5, Facts: Facts{SpeechDBFS: -23, RoomTone: Spectrum{-70}},
			Chain: []Resolved{{Stage: "gain", Rev: 1, Params: json.RawMessage(`{"gain_db":1}`)}},
		}
		return r
	}
	seen := map[Digest]string{base().Key(): "base"}
	for what, change := range map[string]func(*Recipe){
		"fit":          func(r *Recipe) { r.Weigh.FitDB = 1.6 },
		"facts":        func(r *Recipe) { r.Weigh.Facts.RoomTone[0] = -69.9 },
		"stage rev":    func(r *Recipe) { r.Weigh.Chain[0].Rev = 2 },
		"params":       func(r *Recipe) { r.Weigh.Chain[0].Params = json.RawMessage(`{"gain_db":2}`) },
		"fold":         func(r *Recipe) { r.Weigh.Cut.Fold = FoldFlip },
		"work rate":    func(r *Recipe) { r.Weigh.Cut.RateHz = 48000 },
		"step rev":     func(r *Recipe) { r.Rev++ },
		"architecture": func(r *Recipe) { r.Arch = "other" },
	} {
		r := base()
		change(&r)
		if other, dup := seen[r.Key()]; dup {
			t.Errorf("%s has the key of %s", what, other)
		}
		seen[r.Key()] = what
	}
	spaced := base()
	spaced.Weigh.Chain[0].Params = json.RawMessage(`{ "gain_db" : 1.0 }`)
	if spaced.Key() != base().Key() {
		t.Error("spaces and number forms change the key")
	}
}

package chain

import (
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares with a file in testdata.
func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("got\n%s\nwant, as in %s,\n%s", got, file, want)
	}
}

func cupboard(t *testing.T) pipeline.Chain {
	t.Helper()
	text, err := os.ReadFile("testdata/cupboard.yaml")
	if err != nil {
		t.Fatal(err)
	}
	c, faults := Parse(text, "cupboard.yaml")
	if err := strict.AsError(faults); err != nil {
		t.Fatal(err)
	}
	return c
}

// What a chain resolves to is what its key hangs on: a default that changes
// shows here.
func TestParseResolves(t *testing.T) {
	c := cupboard(t)
	var out strings.Builder
	for _, r := range c.Stages {
		out.WriteString(r.Stage + " " + string(r.Params) + "\n")
	}
	out.WriteString(strings.Join(c.Reasons, "\n") + "\n")
	golden(t, "resolved.golden", out.String())
	if want := []string{"highpass", "expander", "eq", "compressor", "eq", "de-esser"}; !slices.Equal(Names(c.Stages), want) {
		t.Errorf("stages %v", Names(c.Stages))
	}
	if c.Chain != "cupboard" || c.Narrator != "ines-marlow" || c.Setup != "cupboard-2" || c.SpeechDBFS != -23 {
		t.Errorf("got %+v", c)
	}
}

// The digest is of the sound: defaults written out, the order of keys, reasons
// and names are not in it; every value is.
func TestDigest(t *testing.T) {
	parse := func(stages string) pipeline.Digest {
		t.Helper()
		c, faults := Parse([]byte("chain: a\nnarrator: b\nsetup: c\nstages:\n"+stages), "f")
		if err := strict.AsError(faults); err != nil {
			t.Fatal(err)
		}
		return c.Digest()
	}
	want := parse("  - highpass: {cutoff_hz: 65}\n  - eq: [{shape: bell, centre_hz: 178, gain_db: -3.50}]\n")
	for _, same := range []string{
		"  - highpass: {slope_db_per_octave: 12, cutoff_hz: 65.0}\n  - eq: {bands: [{gain_db: -3.5, q: 1, shape: bell, centre_hz: 178}]}\n",
		"  - highpass: {cutoff_hz: 6.5e1, why: because}\n  - eq:\n    - {shape: bell, centre_hz: 178, gain_db: -3.5, why: \"a: b\"}\n",
	} {
		if parse(same) != want {
			t.Errorf("another digest for\n%s", same)
		}
	}
	for _, other := range []string{
		"  - highpass: {cutoff_hz: 66}\n  - eq: [{shape: bell, centre_hz: 178, gain_db: -3.5}]\n",
		"  - eq: [{shape: bell, centre_hz: 178, gain_db: -3.5}]\n  - highpass: {cutoff_hz: 65}\n",
		"  - highpass: {cutoff_hz: 65}\n",
	} {
		if parse(other) == want {
			t.Errorf("the same digest for\n%s", other)
		}
	}
}

func TestFaultSentences(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatal("no files", err)
	}
	var out strings.Builder
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		_, faults := Parse(text, filepath.Base(file))
		if len(faults) == 0 {
			t.Errorf("%s has no fault", file)
			continue
		}
		out.WriteString(strict.AsError(faults).Error() + "\n")
	}
	golden(t, "faults.golden", out.String())
}

// Resolved parameters resolve to themselves.
func TestResolveIsIdempotent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		all := map[string]any{
			"gain":     map[string]any{"gain_db": number("gain", -24, 24)},
			"highpass": map[string]any{"cutoff_hz": number("cutoff", 10, 1000)},
			"eq": []any{
				map[string]any{"shape": "bell", "centre_hz": number("centre", 20, 19000), "gain_db": number("gain", -24, 24)},
				map[string]any{"shape": "plateau", "from_hz": number("from", 20, 1000), "to_hz": number("to", 1500, 19000), "gain_db": number("gain", -18, 18)},
			},
			"compressor": map[string]any{"threshold_over_speech_db": number("over", -30, 30), "ratio": number("ratio", 1, 20), "attack_ms": 1, "release_ms": 2, "detector": rapid.SampledFrom([]string{"peak", "rms"}).Draw(t, "detector")},
			"expander":   map[string]any{"bands": []any{map[string]any{"over_room_tone_db": number("over", 0, 40), "ratio": number("ratio", 1, 10), "range_db": number("range", 0, 40)}}},
			"de-esser":   map[string]any{"from_hz": number("from", 2000, 6000), "to_hz": number("to", 7500, 19000), "threshold_over_speech_db": number("over", -40, 20), "max_cut_db": number("cut", 0, 24)},
		}
		for _, s := range Builtin() {
			params, drawn := all[s.Name]
			if !drawn {
				continue
			}
			raw, err := json.Marshal(params)
			if err != nil {
				t.Fatal(err)
			}
			once, faults := s.Resolve(raw)
			if len(faults) > 0 {
				t.Fatalf("%s %s: %v", s.Name, raw, faults)
			}
			twice, faults := s.Resolve(once)
			if len(faults) > 0 || !reflect.DeepEqual(once, twice) {
				t.Fatalf("%s %s resolves to %s, %v", s.Name, once, twice, faults)
			}
			if canonical, err := pipeline.Canonical(once); err != nil || string(canonical) != string(once) {
				t.Fatalf("%s is not canonical", once)
			}
		}
	})
}

// FuzzParse: whatever the text, there are faults or a chain that can be made.
func FuzzParse(f *testing.F) {
	files, _ := filepath.Glob("testdata/bad/*.yaml")
	for _, file := range append(files, "testdata/cupboard.yaml") {
		if text, err := os.ReadFile(file); err == nil {
			f.Add(text)
		}
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		c, faults := Parse(text, "f")
		if len(faults) > 0 {
			return
		}
		c.Digest()
		Warn(c)
		if _, err := New(c.Stages, 48000, Facts{Facts: pipeline.Facts{SpeechDBFS: c.SpeechDBFS}}); err != nil {
			t.Errorf("%q is read without a fault, and can't be made: %v", text, err)
		}
		if d := Diff(c, c); len(d) > 0 {
			t.Errorf("a chain differs from itself: %v", d)
		}
	})
}

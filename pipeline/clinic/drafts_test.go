package clinic

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/house"
	"chapterhouse/testdata/voices/narration"
)

// boothRead is a short test read in a resonant booth.
func boothRead(t *testing.T) *Read {
	t.Helper()
	n := narration.Reading{Voice: "quill", Seed: 5, RateHz: 22050, SpeechDBFS: -27, Spread: 1, Booth: "1.3x1.1x2.1,low=0.12", Noise: "brown:-66,hiss:-74",
		Manner: narration.Manner{HeadS: 3, TailS: 2, PauseS: 0.7, PauseMinS: 0.4, Even: true, StopAtS: 25}}
	var x []float64
	if _, err := n.Record(func(block []float64) error { x = append(x, block...); return nil }); err != nil {
		t.Fatal(err)
	}
	r := Hear(x, n.RateHz, Form{Narrator: "ada-reed", Name: "Ada Reed", Setup: "cellar"})
	r.File = "read.wav"
	return r
}

// TestDraftsWithAnEarlierRecording: they go by one of another rate too.
func TestDraftsWithAnEarlierRecording(t *testing.T) {
	n := narration.Reading{Voice: "quill", Seed: 6, RateHz: 16000, SpeechDBFS: -24, Spread: 1, Booth: "none", Noise: "brown:-80",
		Manner: narration.Manner{HeadS: 1, TailS: 1, PauseS: 0.7, PauseMinS: 0.4, Even: true, StopAtS: 20}}
	var x []float64
	if _, err := n.Record(func(block []float64) error { x = append(x, block...); return nil }); err != nil {
		t.Fatal(err)
	}
	drafts, err := Drafts(boothRead(t), Order{Earlier: Hear(x, n.RateHz, Form{})})
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range drafts {
		if !strings.Contains(d.YAML, "approved recording") {
			t.Errorf("%s does not go by it:\n%s", d.Name, d.YAML)
		}
	}
}

// TestDrafts: both drafts of a read are chains that a house loads as they are
// written, with a reason for every stage, in the usual order, the same each time.
func TestDrafts(t *testing.T) {
	r := boothRead(t)
	drafts, err := Drafts(r, Order{})
	if err != nil {
		t.Fatal(err)
	}
	if len(drafts) != 2 || drafts[0].Name != "spare" || drafts[1].Name != "round" {
		t.Fatalf("drafts %v", drafts)
	}
	for _, d := range drafts {
		if len(d.Corrective) != len(d.Chain.Stages) || d.Does == "" {
			t.Errorf("%s: %d stages, corrective %v, does %q", d.Name, len(d.Chain.Stages), d.Corrective, d.Does)
		}
		for i, s := range d.Chain.Stages {
			stage := fmt.Sprintf("stage %d (%s", i+1, s.Stage)
			if !slices.ContainsFunc(d.Chain.Reasons, func(reason string) bool { return strings.HasPrefix(reason, stage) }) {
				t.Errorf("%s: stage %d (%s) has no reason\n%s", d.Name, i+1, s.Stage, d.YAML)
			}
		}
		for _, line := range chain.Warn(d.Chain) {
			if strings.Contains(line, "usually stands") {
				t.Errorf("%s: %s", d.Name, line)
			}
		}
		if !slices.ContainsFunc(d.Chain.Stages, func(s pipeline.Resolved) bool {
			return s.Stage == "eq" && strings.Contains(string(s.Params), `"gain_db":-`)
		}) {
			t.Errorf("%s takes nothing from a booth that rings\n%s", d.Name, d.YAML)
		}
		loadsInHouse(t, d)
	}
	again, err := Drafts(r, Order{})
	if err != nil || !reflect.DeepEqual(drafts, again) {
		t.Errorf("the same read gave other drafts (%v)", err)
	}

	no := false
	plain, err := Drafts(r, Order{Habits: Habits{Harmonics: UseHabit{&no}, Expander: ExpanderHabit{Use: &no}, Highpass: HighpassHabit{SlopeDBPerOctave: 30}, Compressor: CompressorHabit{Two: &no, Ratio: 1.5}}, Wishes: []Wish{KeepLows, LighterLowMids}})
	if err != nil {
		t.Fatal(err)
	}
	round := plain[1]
	names := chain.Names(round.Chain.Stages)
	if slices.Contains(names, "harmonics") || slices.Contains(names, "expander") || len(slices.DeleteFunc(names, func(s string) bool { return s != "compressor" })) != 1 {
		t.Errorf("a house without harmonics, expander and second compressor got\n%s", round.YAML)
	}
	if !strings.Contains(round.YAML, "slope_db_per_octave: 30") || !strings.Contains(round.YAML, "ratio: 1.5, knee_db") {
		t.Errorf("habits were not kept:\n%s", round.YAML)
	}
	if cutoff := firstNumber(round.YAML, "cutoff_hz: "); cutoff > keptLowHz {
		t.Errorf("keep-lows left a corner of %g Hz", cutoff)
	}
	if len(round.Notes) != 1 || !strings.Contains(round.Notes[0], "160 Hz") {
		t.Errorf("notes %q", round.Notes)
	}
}

// loadsInHouse writes a draft into a house and loads that.
func loadsInHouse(t *testing.T, d Draft) {
	t.Helper()
	root := t.TempDir()
	write := func(name, text string) {
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write("house.yaml", "house: mill-lane\nspecs: [retail]\n")
	write("narrators/ada-reed/narrator.yaml", "narrator: ada-reed\nname: Ada Reed\nsetups:\n  cellar:\n    chain: "+d.Name+"\n")
	write("narrators/ada-reed/chains/"+d.Name+".yaml", d.YAML)
	h, err := house.Load(root)
	if err != nil {
		t.Errorf("%s: %v\n%s", d.Name, err, d.YAML)
		return
	}
	setup, ok := h.Voice("ada-reed", "cellar")
	if !ok || setup.Chain == nil || setup.Chain.Digest() != d.Chain.Digest() {
		t.Errorf("%s: the house has another chain than the draft", d.Name)
	}
}

// firstNumber is the number that follows a text for the first time.
func firstNumber(in, after string) (v float64) {
	_, rest, _ := strings.Cut(in, after)
	for _, c := range rest {
		if c < '0' || c > '9' {
			break
		}
		v = 10*v + float64(c-'0')
	}
	return v
}

func TestWishes(t *testing.T) {
	all, err := ParseWishes([]string{"clearer", "keep-lows", "clearer"})
	if err != nil || !reflect.DeepEqual(all, []Wish{Clearer, KeepLows}) {
		t.Errorf("%v, %v", all, err)
	}
	_, err = ParseWishes([]string{"warmer", "calmer", "louder"})
	if err == nil || !strings.Contains(err.Error(), `"warmer", "louder" are no wishes; there are lighter-low-mids, keep-lows, clearer, softer-esses, calmer, quieter-floor`) {
		t.Errorf("%v", err)
	}
	if said := tensions([]Wish{QuieterFloor, Calmer}); len(said) != 1 {
		t.Errorf("calmer and quieter-floor: %q", said)
	}
}

func TestHabits(t *testing.T) {
	h, faults := ParseHabits([]byte("harmonics: {use: false}\nde_esser: {most_cut_db: 4}\nhighpass: {slope_db_per_octave: 18}\n"), "likes.yaml")
	if len(faults) > 0 || !never(h.Harmonics.Use) || never(h.Expander.Use) || h.DeEsser.MostCutDB != 4 || h.Highpass.SlopeDBPerOctave != 18 || h.Ride.MostDB != 0 {
		t.Errorf("%+v %v", h, faults)
	}
	_, faults = ParseHabits([]byte("de_esser: {most_cut_db: 40}\nharmonic: {use: false}\n"), "likes.yaml")
	if len(faults) != 2 || !strings.HasPrefix(faults[0].String(), "likes.yaml:2:1: harmonic is") {
		t.Errorf("faults %v", faults)
	}
}

package clinic

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"chapterhouse/pipeline/codec"
	"chapterhouse/testdata/voices/narration"
)

// TestInStep: a master that begins later, is louder and lacks half a second of a
// pause lies frame by frame beside the read again.
func TestInStep(t *testing.T) {
	stems, labels, err := narration.Reading{Voice: "heron", Seed: 9, RateHz: 44100, Spread: 1, SpeechDBFS: -26, Noise: "pink:-66",
		Text:   "The eighth gate was locked, and nobody had the key. [pause 1.6] She went back along the wall and counted the lamps. There were nine of them, and one was out. Then the bell of the ferry rang across the water.",
		Manner: narration.Manner{HeadS: 1, TailS: 1}}.Stems()
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float64, len(stems.Voice))
	for i := range x {
		x[i] = stems.Voice[i] + stems.Breaths[i] + stems.Noise[i]
	}
	var sentences []int64
	for _, m := range labels.Marks {
		if m.Kind == "sentence" {
			sentences = append(sentences, m.From, m.To)
		}
	}
	cut := int(sentences[1]) + 20000 // in the long pause
	fin := make([]float64, 30000)
	for i, v := range x {
		if i < cut || i >= cut+15000 {
			fin = append(fin, 2*v)
		}
	}
	r, m := Hear(x, 44100, Form{}), Hear(fin, 44100, Form{})
	y, err := InStep(r, m)
	if err != nil {
		t.Fatal(err)
	}
	for s := 0; s < len(sentences); s += 2 {
		var off, size float64
		for i := sentences[s]; i < sentences[s+1]; i++ {
			off += (y[i] - 2*x[i]) * (y[i] - 2*x[i])
			size += x[i] * x[i]
		}
		if off > 1e-6*size {
			t.Errorf("sentence %d lies %.1f dB off", s/2+1, 10*math.Log10(off/size))
		}
	}
	other, _, err := narration.Reading{Voice: "heron", Seed: 10, RateHz: 44100, Spread: 1, SpeechDBFS: -26, Noise: "pink:-66",
		Text: "Bread was dear that winter. We sold the mule and the second cart, and my brother walked to the coast to look for work.", Manner: narration.Manner{HeadS: 1, TailS: 1}}.Stems()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := InStep(r, Hear(other.Voice, 44100, Form{})); err == nil {
		t.Error("another reading was taken for a version of this one")
	}
}

// TestTaken: what a stage takes, laid over the version, is the version without the
// stage, within the steps of 16 bits, and is not cut flat where it is far louder
// than what the stage leaves.
func TestTaken(t *testing.T) {
	n := narration.Reading{Voice: "heron", Seed: 9, RateHz: 44100, Spread: 1, SpeechDBFS: -26, Noise: "pink:-66", Text: "The eighth gate was locked, and nobody had the key. She went back along the wall.", Manner: narration.Manner{HeadS: 1, TailS: 1}}
	var x []float64
	if _, err := n.Record(func(block []float64) error { x = append(x, block...); return nil }); err != nil {
		t.Fatal(err)
	}
	r := Hear(x, n.RateHz, Form{Narrator: "ada-reed", Setup: "cellar"})
	d, err := draft("spare", "", r.Form, draftReference, []step{{stage: "highpass", params: fields{{"cutoff_hz", 100.0}, {"slope_db_per_octave", 12}}}, {stage: "gain", params: fields{{"gain_db", -20.0}}}})
	if err != nil {
		t.Fatal(err)
	}
	trial, err := Compare(r, []Draft{d}, nil)
	if err != nil {
		t.Fatal(err)
	}
	v := trial.Versions[1]
	gain := math.Pow(10, float64(v.Moved)/20)
	for i := range v.Stages {
		z, err := r.Through(slices.Delete(slices.Clone(d.Chain.Stages), i, i+1), draftReference, nil)
		if err != nil {
			t.Fatal(err)
		}
		want, sound, taken := passages(z, trialSpans(r), r.RateHz), samplesOf(t, v.Sound), samplesOf(t, v.Stages[i].Taken)
		for k := range want {
			// Moved is rounded to a hundredth of a decibel, as much as 0.06 %.
			if off := math.Abs(sound[k] + taken[k] - gain*want[k]); off > 2./(1<<15)+6e-4*math.Abs(gain*want[k]) {
				t.Fatalf("without %s, sample %d is %g, not %g", v.Stages[i].Stage, k, sound[k]+taken[k], gain*want[k])
			}
		}
	}
}

// samplesOf is a FLAC file's only channel.
func samplesOf(t *testing.T, flac []byte) []float64 {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a.flac")
	if err := os.WriteFile(path, flac, 0o600); err != nil {
		t.Fatal(err)
	}
	_, heard, err := codec.Stretches(t.Context(), path, []codec.Stretch{{ToS: 1000}})
	if err != nil {
		t.Fatal(err)
	}
	out := make([]float64, len(heard[0]))
	for i, v := range heard[0] {
		out[i] = float64(v)
	}
	return out
}

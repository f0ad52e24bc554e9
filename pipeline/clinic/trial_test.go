package clinic

import (
	"math"
	"testing"

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

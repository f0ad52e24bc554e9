package main

import (
	"testing"

	"chapterhouse/testdata/voices/speech"
)

// TestEssRowsFall holds each limit from both sides.
func TestEssRowsFall(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(map[string]*essCount)
		met   bool
	}{
		"good":                {func(map[string]*essCount) {}, true},
		"a whisper gets less": {func(f map[string]*essCount) { f["whispered"].inside.sum = 1.5 }, false},
		"nothing is reduced": {func(f map[string]*essCount) {
			for _, c := range f {
				c.inside.sum = 0
			}
		}, false},
		"vowels are reduced": {func(f map[string]*essCount) { f["shouted"].outside.sum = 0.4 }, false},
	} {
		found := map[string]*essCount{}
		for _, m := range essManners() {
			found[m] = &essCount{inside: mean{4, 1}, outside: mean{0.1, 1}, sh: mean{0, 1}}
		}
		c.spoil(found)
		var rows table
		if holdEsses(&rows, "", found); rows.met() != c.met {
			t.Errorf("%s: met is %v", name, rows.met())
		}
	}
}

// Cuts count where the labels say, in the manner of their sentence.
func TestEssesAreCounted(t *testing.T) {
	cuts := make([]float64, 1000) // of 8 samples at 8 kHz
	for k := 300; k < 400; k++ {
		cuts[k] = 4
	}
	cuts[900] = 1
	found := countEsses([]speech.Mark{{Kind: "sentence", From: 0, To: 8000}, {Kind: "whisper", From: 0, To: 8000}, {Kind: "ess", Text: "s", From: 2400, To: 3200}}, cuts, 8, 8000)
	w := found["whispered"]
	if w.inside.value() != 4 || w.outside.sum != 1 || found["spoken"].outside.n != 0 {
		t.Errorf("counted %+v", w)
	}
}

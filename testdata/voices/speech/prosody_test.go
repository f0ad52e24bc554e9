package speech

import (
	"math"
	"sort"
	"testing"

	"chapterhouse/testdata/voices/exact"
)

// TestPitchRange: narration moves over 8 to 14 semitones about the voice's
// own median (common practice in reading aloud).
func TestPitchRange(t *testing.T) {
	for _, v := range Voices() {
		p := planner{voice: v, rateHz: 44100, speller: newSpeller(), random: exact.NewRandom(4, "prosody")}
		prose := Prose{Random: exact.NewRandom(4, "prose")}
		var st []float64
		words, seconds, syllables := 0, 0.0, 0
		for range 120 {
			s, _ := prose.Next()
			words += len(s.Words)
			for _, g := range p.plan(s) {
				seconds += float64(g.samples) / 44100
				if g.first && isVowel(g.phone) {
					syllables++
				}
				if g.voicing > 0.4 {
					for n := 0; n < g.samples; n += 10 * step {
						st = append(st, g.pitchST)
					}
				}
			}
		}
		sort.Float64s(st)
		at := func(share float64) float64 { return st[int(share*float64(len(st)-1))] }
		t.Logf("%s: median %+.1f st, 5 to 95 per cent %+.1f to %+.1f; %.0f words a minute, %.1f syllables a second", v.Name, at(0.5), at(0.05), at(0.95),
			60*float64(words)/seconds, float64(syllables)/seconds)
		if span := at(0.95) - at(0.05); span < 8 || span > 14 {
			t.Errorf("%s: pitch spans %.1f semitones, want 8 to 14", v.Name, span)
		}
		if math.Abs(at(0.5)) > 0.5 {
			t.Errorf("%s: the median is %.1f semitones off", v.Name, at(0.5))
		}
	}
}

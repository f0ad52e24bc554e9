package chain

import (
	"fmt"
	"math"
	"testing"

	"chapterhouse/dsp/spectrum"
)

// What is measured of a stage is what its formula says: a bell's gain at its
// centre, a Butterworth cutoff's 3 dB, a compressor's and an expander's static
// curves.
func TestRespond(t *testing.T) {
	mid := spectrum.SixthOctaves()[24].Mid
	at := func(text string) string { return fmt.Sprintf(text, mid) }
	for _, c := range []struct {
		stage, params string
		hz, in, want  float64 // in: level of the tone; 0: an impulse
	}{
		{"eq", at(`[{"shape": "bell", "centre_hz": %f, "gain_db": -6, "q": 2}]`), mid, 0, -6},
		{"highpass", at(`{"cutoff_hz": %f, "slope_db_per_octave": 24}`), mid, 0, -3.01},
		{"gain", `{"gain_db": 4.5}`, mid, 0, 4.5},
		{"compressor", `{"threshold_over_speech_db": 3, "ratio": 4, "knee_db": 0, "attack_ms": 5, "release_ms": 50}`, 1000, -10, -7.5},
		{"compressor", `{"threshold_over_speech_db": 3, "ratio": 4, "knee_db": 0, "attack_ms": 5, "release_ms": 50}`, 7000, -25, 0},
		{"expander", `{"bands": [{"over_room_tone_db": 10, "ratio": 1.5, "range_db": 8}]}`, 1000, -60, -4},
		{"expander", `{"bands": [{"over_room_tone_db": 10, "ratio": 1.5, "range_db": 8}]}`, 1000, -75, -8},
	} {
		got, err := Respond(resolve(t, c.stage, c.params), 44100, PlainFacts(-23))
		if err != nil {
			t.Fatal(err)
		}
		db := math.NaN()
		for _, g := range got.Spectrum {
			if c.in == 0 && math.Abs(math.Log2(g.Hz/c.hz)) < 0.01 {
				db = g.DB
			}
		}
		for _, curve := range got.Levels {
			for _, s := range curve.Steps {
				if curve.Hz == c.hz && s.InDBFS == c.in {
					db = s.DB
				}
			}
		}
		// The expander's tone room is -80 dBFS in each of 60 bands, -62.2 in all.
		if !(math.Abs(db-c.want) < 0.15) {
			t.Errorf("%s %s at %g Hz, %g dBFS: %.2f dB, want %.2f", c.stage, c.params, c.hz, c.in, db, c.want)
		}
	}
	got, err := Respond(resolve(t, "harmonics", `{"second_db": -40, "third_db": -46}`), 44100, PlainFacts(-23))
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range got.Harmonics {
		if math.Abs(h.DB[0]+40) > 0.2 || math.Abs(h.DB[1]+46) > 0.2 || h.DB[2] > -100 {
			t.Errorf("harmonics of %g Hz: %.1f", h.Hz, h.DB)
		}
	}
	for stage, params := range map[string]string{
		"clicks": `{}`, "hum": `{}`, "plosives": `{}`, "breaths": `{}`, "ride": `{}`,
		"de-esser": `{"from_hz": 5000, "to_hz": 9000, "threshold_over_speech_db": -10, "max_cut_db": 5}`,
	} {
		if got, err := Respond(resolve(t, stage, params), 44100, PlainFacts(-23)); err != nil || len(got.Spectrum)+len(got.Levels)+len(got.Harmonics) > 0 {
			t.Errorf("of %s: %+v, %v", stage, got, err)
		}
	}
	if _, err := Respond(resolve(t, "lowpass", `{"cutoff_hz": 20000}`), 44100, PlainFacts(-23)); err == nil {
		t.Error("a stage that can't be made was measured")
	}
}

package main

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"chapterhouse/dsp/spectrum"
)

// shaped is the power spectrum of usual speech with some bands changed, dB.
func shaped(rateHz int, change map[float64]float64) []float64 {
	bands, usual := spectrum.ThirdOctaves(), spectrum.Speech()
	power := make([]float64, speakingSize/2+1)
	width := float64(rateHz) / speakingSize
	random := rand.New(rand.NewPCG(1, 2))
	for k := range power {
		hz := float64(k) * width
		i := slices.IndexFunc(bands, func(b spectrum.Band) bool { return hz >= b.Lower && hz < b.Upper })
		if i < spectrum.SpeechFirst || i-spectrum.SpeechFirst >= len(usual) {
			continue
		}
		level := usual[i-spectrum.SpeechFirst] - 20 + change[spectrum.NominalHz(i)]
		power[k] = math.Pow(10, level/10) * width / (bands[i].Upper - bands[i].Lower) * (0.9 + 0.2*random.Float64())
	}
	return power
}

func TestYardstick(t *testing.T) {
	for _, c := range []struct {
		name   string
		power  []float64
		rate   int
		value  string
		wanted []string
	}{
		{"nobody speaks", nil, 44100, "not measurable", nil},
		{"usual speech", shaped(44100, nil), 44100, "as usual", nil},
		{"usual speech at a low rate", shaped(22050, nil), 22050, "as usual", nil},
		{"other by less than what voices differ", shaped(44100, map[float64]float64{200: 8, 1000: -8}), 44100, "as usual", nil},
		{"no bass, as of a high voice", shaped(44100, map[float64]float64{63: -30, 80: -30, 100: -30, 125: -20}), 44100, "as usual", nil},
		{"boom", shaped(44100, map[float64]float64{200: 12, 250: 11}), 44100, "unusual", []string{"12 dB more than usual speech around 200 Hz"}},
		{"dull, with hum", shaped(44100, map[float64]float64{100: 15, 5000: -14, 6300: -20, 8000: -15}), 44100, "unusual",
			[]string{"15 dB more than usual speech around 100 Hz", "20 dB less than usual speech around 6.3 kHz"}},
	} {
		value, words := yardstick(besideSpeech(c.power, c.rate))
		if value != c.value || c.wanted != nil && words != strings.Join(c.wanted, "; ") {
			t.Errorf("%s: %s, %q, want %s, %q", c.name, value, words, c.value, c.wanted)
		}
	}
}

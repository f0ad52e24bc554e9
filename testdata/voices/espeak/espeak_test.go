package espeak

import (
	"fmt"
	"math"
	"os"
	"testing"

	"chapterhouse/testdata/voices/speech"
)

func need(t *testing.T) {
	t.Helper()
	if Installed() {
		return
	}
	if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
		t.Fatal("the espeak-ng program is not installed")
	}
	t.Skip("the espeak-ng program is not installed")
}

// TestVoicesDiffer: a variant that the program does not know is spoken by its
// plain voice, silently; so every two must differ.
func TestVoicesDiffer(t *testing.T) {
	need(t)
	sentence := speech.Calibration()[0]
	seen := map[string]string{}
	for _, v := range append(Voices(), Voice{Voice: speech.Voice{Name: "no such variant"}, Variant: "nosuch"}) {
		v.Pitch, v.WPM = 50, 160 // the variant alone must make the difference
		s := New(v, 22050, 1)
		x, err := s.say(sentence, 0, 1)
		if err != nil {
			t.Fatal(err)
		}
		key := fmt.Sprint(x)
		if other, ok := seen[key]; ok {
			t.Errorf("%s sounds as %s does", v.Name, other)
		}
		seen[key] = v.Name
	}
}

// TestResampleKeepsASine: 1 kHz from 22.05 kHz to each rate, within -80 dB.
func TestResampleKeepsASine(t *testing.T) {
	x := make([]float64, 22050)
	for i := range x {
		x[i] = math.Sin(2 * math.Pi * 1000 * float64(i) / 22050)
	}
	for _, rate := range []int{44100, 48000, 88200, 96000} {
		y := resample(x, 22050, rate)
		if len(y) != rate {
			t.Errorf("%d Hz: %d samples for a second", rate, len(y))
		}
		worst := 0.0
		for i := rate / 10; i < rate*9/10; i++ {
			worst = max(worst, math.Abs(y[i]-math.Sin(2*math.Pi*1000*float64(i)/float64(rate))))
		}
		if worst > 1e-4 {
			t.Errorf("%d Hz: off by %g", rate, worst)
		}
	}
}

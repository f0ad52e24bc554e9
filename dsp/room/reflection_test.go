package room

import (
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
)

// TestReflections: an echo from 1 to 8 ms is told by its delay, within 2 %; a
// voice without one has none, and one that is too soft or too late isn't named.
func TestReflections(t *testing.T) {
	x, said, _ := spoken(21, 44100, 12, 95, 190, nil)
	for _, c := range []struct {
		what    string
		delayMS float64
		gain    float64
		told    bool
	}{
		{"none", 2, 0, false},
		{"a desk", 1.2, 0.6, true},
		{"a wall", 4.7, 0.5, true},
		{"as loud as the voice", 7.6, 0.95, true},
		{"soft", 3, 0.12, false},
		{"late", 14, 0.7, false},
	} {
		delay := int(math.Round(c.delayMS * 44.1))
		y := make([]float64, len(x))
		for i, v := range x {
			y[i] = v
			if i >= delay {
				y[i] += c.gain * x[i-delay]
			}
		}
		got := Reflections(y, 44100, said)
		switch {
		case !c.told && len(got) > 0:
			t.Errorf("%s: %+v", c.what, got)
		case c.told && (len(got) == 0 || math.Abs(1000*got[0].DelayS/c.delayMS-1) > 0.02):
			t.Errorf("%s: %+v, want %.1f ms", c.what, got, c.delayMS)
		}
	}
	if got := Reflections(make([]float64, 44100), 44100, []meter.Window{{To: dsp.Frames(44100)}}); got != nil {
		t.Errorf("silence: %+v", got)
	}
}

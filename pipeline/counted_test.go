package pipeline

import (
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
)

// TestCounted: a loudness of one channel counts as a spec says, gains and trims
// bring it to the aim so counted, and of two channels nothing hangs on it. The
// twin of two channels reads 3.01 LU more (ITU-R BS.1770-5, sum of channels).
func TestCounted(t *testing.T) {
	const rate = 48000
	x := make([]float64, 5*rate)
	for i := range x {
		x[i] = 0.1 * math.Sin(2*math.Pi*997*float64(i)/rate) // one channel at -20 dBFS peak: -23.01 LUFS
	}
	one, two := meter.New(rate, 1), meter.New(rate, 2)
	one.Write(x)
	two.Write(x, x)
	for _, c := range []struct {
		as               Counted
		mono, twin, gain float64
		means            string
	}{
		{CountedOnce, -23.01, -20, 5, "counted as one channel"},
		{CountedTwice, -20, -20, 2, "counted as two channels"},
	} {
		l := Level{Measure: MeasureLoudness, CountedAs: c.as, Window: [2]float64{-18.2, -17.8}, Aim: -18}
		if got := l.Of(one.Levels()); math.Abs(got-c.mono) > 0.02 {
			t.Errorf("%s: one channel is %.2f, want %.2f", c.as, got, c.mono)
		}
		if got := l.Of(two.Levels()); math.Abs(got-c.twin) > 0.02 {
			t.Errorf("%s: two channels are %.2f, want %.2f", c.as, got, c.twin)
		}
		parts := []LeveledPart{{Narrator: "ines", RateHz: rate, Weigh: WeighRecord{Levels: one.Levels()}}}
		gains := LevelGains([][]LeveledPart{parts}, l, Edges{}, 0, nil).GainDB
		if got := float64(gains["ines"]); math.Abs(got-c.gain) > 0.051 {
			t.Errorf("%s: gain %.1f, want %.1f", c.as, got, c.gain)
		}
		if got := Trim(parts, gains, l, Edges{}); got != 0 {
			t.Errorf("%s: trimmed by %v from the aim", c.as, got)
		}
		if got := Trim(parts, map[string]dsp.DB{"ines": gains["ines"] - 1}, l, Edges{}); math.Abs(float64(got)-0.95) > 0.06 {
			t.Errorf("%s: trimmed by %v from a decibel under the aim, want 0.9 or 1: to a quarter of the window from its edge", c.as, got)
		}
		if got := GainTo(l, two.Levels()); got != 2 {
			t.Errorf("%s: an asset of two channels gets %v", c.as, got)
		}
		if l.Meaning() != c.means {
			t.Errorf("%q", l.Meaning())
		}
	}
}

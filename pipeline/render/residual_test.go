package render

import (
	"math"
	"path/filepath"
	"testing"

	"chapterhouse/dsp/dsptest"
	"chapterhouse/pipeline/codec"
)

// TestResidual: two files that differ by gain alone leave their rounding, what
// was added to one is found at its level, and lateness is made up for.
func TestResidual(t *testing.T) {
	const rate, late = 44100, 11025
	x, other := scaled(dsptest.Noise(1, 3*rate), -12), scaled(dsptest.Noise(2, 3*rate), -52)
	added := make([]float64, len(x))
	for i := range x {
		added[i] = 0.5*x[i] + other[i]
	}
	write := func(name string, ch ...[]float64) string {
		path := filepath.Join(t.TempDir(), name+".wav")
		w, err := codec.CreateWAV(path, rate, len(ch), 24, false)
		if err == nil {
			err = w.Write(ch)
		}
		if err == nil {
			err = w.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
		return path
	}
	half, shifted := scaled(x, -6), append(make([]float64, late), x...)
	want := rms(other) - rms(added)
	silence := make([]float64, rate)
	for _, c := range []struct {
		what            string
		was, is         string
		lateS           float64
		gainDB          float64
		atLeast, atMost float64 // of what is left
	}{
		{"the same", write("a", x), write("b", x), 0, 0, math.Inf(-1), math.Inf(-1)},
		{"half", write("a", x), write("b", half), 0, -6, math.Inf(-1), -100},
		{"turned", write("a", x), write("b", scaled(x, 0)), 0, 0, math.Inf(-1), math.Inf(-1)},
		{"with something added", write("a", x), write("b", added), 0, -6.02, want - 0.1, want + 0.1},
		{"later", write("a", x), write("b", shifted), 0.25, 0, math.Inf(-1), math.Inf(-1)},
		{"earlier", write("a", shifted), write("b", x), -0.25, 0, math.Inf(-1), math.Inf(-1)},
		{"laid wrong", write("a", x), write("b", shifted), 0, math.NaN(), -0.1, 0},
		{"two channels", write("a", x, other), write("b", half, scaled(other, -6)), 0, -6, math.Inf(-1), -90},
	} {
		gain, left, err := Residual(t.Context(), c.was, c.is, c.lateS)
		if err != nil {
			t.Fatalf("%s: %v", c.what, err)
		}
		if math.Abs(float64(gain)-c.gainDB) > 0.01 || !(float64(left) >= c.atLeast && float64(left) <= c.atMost) {
			t.Errorf("%s: %v left at %v, want %g to %g at %g", c.what, left, gain, c.atLeast, c.atMost, c.gainDB)
		}
	}
	if _, left, err := Residual(t.Context(), write("a", silence), write("b", x), 0); err != nil || !math.IsNaN(float64(left)) {
		t.Errorf("of silence: %v, %v", left, err)
	}
	if _, _, err := Residual(t.Context(), write("a", x), write("b", x, x), 0); err == nil {
		t.Error("no error of two forms")
	}
}

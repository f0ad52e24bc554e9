package main

import (
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"testing"
)

func writeRaw(t *testing.T, x []float64) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "x.raw")
	raw, err := binary.Append(nil, binary.LittleEndian, x)
	if err == nil {
		err = os.WriteFile(path, raw, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// TestBetweenSamples reads sines whose crests lie between samples. What eight points
// leave unseen is at most 20·log10 cos(π·f/8) (ITU-R BS.1770-5 Annex 2).
func TestBetweenSamples(t *testing.T) {
	o := newBetweenSamples()
	for _, perRate := range []float64{0.01, 0.1, 0.25, 0.40, 0.45} {
		for _, degrees := range []float64{0, 22.5, 45, 67.5} {
			x := make([]float64, 2*30000)
			for i := range len(x) / 2 {
				fade := min(1, float64(min(i, 29999-i))/3000)
				x[2*i] = 0.1 * fade * math.Sin(1+2*math.Pi*0.0037*float64(i))
				x[2*i+1] = 0.5 * fade * math.Sin(2*math.Pi*perRate*float64(i)+degrees*math.Pi/180)
			}
			got, err := o.truePeakOf(writeRaw(t, x), 2)
			under := -20 * math.Log10(math.Cos(math.Pi*perRate/8))
			if want := 20 * math.Log10(0.5); err != nil || got > want+0.005 || got < want-under-0.005 {
				t.Errorf("sine at %v of the rate, %v°: %.3f dBTP, want %.3f, at most %.3f lower; %v", perRate, degrees, got, want, under, err)
			}
		}
	}
}

// TestBetweenSamplesSkipsNothing compares with every point of noise.
func TestBetweenSamplesSkipsNothing(t *testing.T) {
	o := newBetweenSamples()
	x := make([]float64, 70000)
	state := uint64(9)
	for i := range x {
		state = state*6364136223846793005 + 1442695040888963407
		x[i] = (float64(state>>11)/(1<<53) - 0.5) * (0.2 + 0.8*math.Abs(math.Sin(float64(i)/9000)))
	}
	all := *o
	all.bound = math.Inf(1)
	got, err := o.truePeakOf(writeRaw(t, x), 1)
	want, err2 := all.truePeakOf(writeRaw(t, x), 1)
	if got != want || firstError(err, err2) != nil {
		t.Errorf("%v dBTP, all points %v; %v", got, want, firstError(err, err2))
	}
	for _, i := range []int{0, 65535, 65536, len(x) - 1} { // at the borders of blocks
		was := x[i]
		x[i] = 5
		if got, err := o.truePeakOf(writeRaw(t, x), 1); err != nil || got < 20*math.Log10(5) {
			t.Errorf("%v dBTP with a sample of 5 at %d; %v", got, i, err)
		}
		x[i] = was
	}
}

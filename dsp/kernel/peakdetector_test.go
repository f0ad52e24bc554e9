package kernel

import (
	"math"
	"testing"
)

// What has no treble is read as by an Interpolator, to the bit.
func TestPeakDetectorIsSubMaxLate(t *testing.T) {
	x := peakSignals(8 * 1024)["bursts"]
	const ceiling = 0.02
	for range 8 { // no treble
		for i := len(x) - 1; i > 0; i-- {
			x[i] = (x[i] + x[i-1]) / 2
		}
	}
	for _, step := range []int{8, 16} {
		d := NewPeakDetector(step, 1024)
		var got []float64
		for from := 0; from < len(x); {
			n := min([]int{1024, 16, 512, 48}[from/16%4], len(x)-from)
			dst := make([]float64, n/step)
			d.Process(dst, x[from:from+n], ceiling)
			got, from = append(got, dst...), from+n
		}
		// DetectorDelay zeros are the step's past, reach more lend their values.
		padded := append(make([]float64, reach+DetectorDelay), x...)
		want := make([]float64, len(got))
		NewInterpolator().SubMax(want, padded, step, ceiling)
		for j := range got {
			if got[j] != want[j] {
				t.Fatalf("step %d of %d samples: %v, want %v", j, step, got[j], want[j])
			}
		}
		d.Reset()
		first := make([]float64, 1)
		d.Process(first, make([]float64, step), 0)
		if first[0] != 0 {
			t.Errorf("after Reset the detector still remembers %v", first[0])
		}
	}
}

// A steady tone above 0.40 of the rate, which beats with it, is read step by step
// as its eight points are, within 0.15 dB up to 0.47 of the rate; an Interpolator
// alone reads steps far low.
func TestPeakDetectorHearsTreble(t *testing.T) {
	alone, worst := 0.0, 0.0
	for f := 0.405; f < 0.4701; f += 0.005 {
		for phase := range 8 {
			tone := func(at float64) float64 { return Sin(2*math.Pi*f*at + math.Pi*float64(phase)/8) }
			x := make([]float64, 1024)
			for i := range x {
				x[i] = tone(float64(i))
			}
			d, dst, short := NewPeakDetector(8, 1024), make([]float64, 128), make([]float64, 126)
			d.Process(dst, x, 0.9)
			NewInterpolator().SubMax(short, x, 8, 0.9)
			for j := 20; j < 120; j++ { // samples 8·j-DetectorDelay and on
				want := 0.0
				for p := range 64 {
					want = max(want, math.Abs(tone(float64(8*j-DetectorDelay)+float64(p)/8)))
				}
				if want < 0.95 {
					continue // under the ceiling
				}
				worst = max(worst, math.Abs(DB(dst[j]/want)))
				alone = max(alone, DB(want/short[j-4]))
			}
		}
	}
	if worst > 0.15 {
		t.Errorf("steps are read %.2f dB off", worst)
	}
	if alone < 0.5 {
		t.Errorf("an Interpolator alone is only %.2f dB low: the tones prove nothing", alone)
	}
	t.Logf("off by %.2f dB; an Interpolator alone reads up to %.2f dB low", worst, alone)
}

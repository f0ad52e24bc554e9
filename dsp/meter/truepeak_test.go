package meter

import (
	"math"
	"testing"
)

// annex2 is the largest |sample| and |point| of the interpolator that ITU-R
// BS.1770-5 Annex 2 gives as an example: order 48, four phases.
func annex2(t *testing.T, x []float64) float64 {
	t.Helper()
	var phases [4][]float64
	for _, row := range reference(t, "truepeak_fir.csv") {
		for p, column := range []string{"phase0", "phase1", "phase2", "phase3"} {
			phases[p] = append(phases[p], number(t, row[column]))
		}
	}
	var peak float64
	for i, v := range x {
		peak = math.Max(peak, math.Abs(v))
		for _, h := range phases {
			var y float64
			for k, w := range h {
				if i >= k {
					y += w * x[i-k]
				}
			}
			peak = math.Max(peak, math.Abs(y))
		}
	}
	return peak
}

// TestTruePeakAgainstAnnex2: the Annex's own filter has branch gains within
// 0.24 dB up to 0.42 of the rate, and with four points misses up to 0.44 dB at
// 0.40 of the rate, of which ours misses 0.11.
func TestTruePeakAgainstAnnex2(t *testing.T) {
	for seed := range uint64(6) {
		x := voice(44100, 3, seed)
		got, want := float64(measure(44100, x).TruePeak), amplitudeDB(annex2(t, x))
		if got < want-0.24-0.11 || got > want+0.24+0.44 {
			t.Errorf("voice %d: %.2f dBTP, the Annex's filter %.2f", seed, got, want)
		}
	}
}

// TestTruePeakUnderRead holds the Annex's bound for 8 times oversampling; 0.05 dB
// is the ripple of our interpolator.
func TestTruePeakUnderRead(t *testing.T) {
	for _, row := range reference(t, "truepeak_underread.csv") {
		if row["oversampling"] != "8" {
			continue
		}
		for column, perRate := range map[string]float64{"fnorm_0.25_db": 0.25, "fnorm_0.40_db": 0.40} {
			under := number(t, row[column])
			for degrees := 0.0; degrees < 90; degrees += 3 {
				got := amplitudeDB(0.5) - float64(measure(48000, fadedSine(48000, perRate, 0.5, degrees)).TruePeak)
				if got > under+0.05+0.005 || got < -0.05-0.005 {
					t.Errorf("sine at %v of the rate, %v°: reads %.3f dB low, want at most %.3f+0.05", perRate, degrees, got, under)
				}
			}
		}
	}
}

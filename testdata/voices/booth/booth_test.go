package booth

import (
	"math"
	"testing"

	"chapterhouse/testdata/voices/exact"
)

// peaks are the frequencies of the response's local maxima from 60 to 350 Hz
// that stand at least 3 dB over the octave around them.
func peaks(t *testing.T, b Booth, from [3]float64) map[float64]float64 {
	t.Helper()
	const rate, n = 8000, 8192
	re := padded(b.Response(from, rate, n/2), n)
	im := make([]float64, n)
	exact.NewFFT(n).Forward(re, im)
	db := make([]float64, n/2)
	for k := range db {
		db[k] = 10 * math.Log10(re[k]*re[k]+im[k]*im[k]+1e-12)
	}
	out := map[float64]float64{}
	for k := 60 * n / rate; k < 350*n/rate; k++ {
		if db[k] <= db[k-1] || db[k] < db[k+1] {
			continue
		}
		sum, count := 0.0, 0
		for j := int(float64(k) / math.Sqrt2); j < int(float64(k)*math.Sqrt2); j++ {
			sum += db[j]
			count++
		}
		if over := db[k] - sum/float64(count); over >= 3 {
			out[float64(k)*rate/n] = over
		}
	}
	return out
}

// TestResonancesStandAtTheRoomsModes: a box of rigid walls rings at
// c/2 sqrt((nx/Lx)^2+(ny/Ly)^2+(nz/Lz)^2) (Kuttruff, Room Acoustics); with
// some absorption every clear peak is still within 3 per cent of one.
func TestResonancesStandAtTheRoomsModes(t *testing.T) {
	for _, text := range []string{"1.3x1.7x2.05,low=0.26,high=0.66", "1.55x1.15x2.3,low=0.28,high=0.6", "1.2x1.5x2.1,low=0.1"} {
		b, err := Parse(text)
		if err != nil {
			t.Fatal(err)
		}
		var modes []float64
		for nx := range 6 {
			for ny := range 6 {
				for nz := range 6 {
					x, y, z := float64(nx)/b.WidthM, float64(ny)/b.DepthM, float64(nz)/b.HeightM
					modes = append(modes, soundMS/2*math.Sqrt(x*x+y*y+z*z))
				}
			}
		}
		found := peaks(t, b, b.Noise)
		if len(found) < 3 {
			t.Errorf("%s: %d resonances stand out, want at least 3: %v", text, len(found), found)
		}
		for hz, over := range found {
			t.Logf("%s: %.1f Hz +%.1f dB", text, hz, over)
			off := 1.0
			for _, m := range modes {
				off = math.Min(off, math.Abs(m/hz-1))
			}
			if off > 0.03 {
				t.Errorf("%s: the peak at %.1f Hz is %.1f %% from the nearest mode", text, hz, 100*off)
			}
		}
		t.Log("voice:", peaks(t, b, b.Voice))
	}
}

func TestFreeFieldLeavesTheVoiceAsItIs(t *testing.T) {
	b, err := Parse("none")
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range b.Response(b.Voice, 44100, 256) {
		want := 0.0
		if i == lead {
			want = 1
		}
		if v != want {
			t.Errorf("sample %d is %v, want %v", i, v, want)
		}
	}
}

// TestReverberationLiesBetweenItsBounds: decay of the energy (Schroeder 1965)
// from -5 to -25 dB below 400 Hz. A box of even walls is no diffuse room: it
// rings longer than Eyring's T = 0.161 V / (-S ln(1-a)), and at most as long
// as sound that runs between the farthest walls only, which loses a of its
// energy each length L: T = 13.8 L / (-c ln(1-a)).
func TestReverberationLiesBetweenItsBounds(t *testing.T) {
	const rate, n = 4000, 4096
	for _, a := range []float64{0.1, 0.2, 0.4} {
		b, err := Parse("1.4x1.2x2.2")
		if err != nil {
			t.Fatal(err)
		}
		b.Low, b.High = a, a
		h := b.Response(b.Voice, rate, n)
		left := make([]float64, n+1)
		for i := n - 1; i >= 0; i-- {
			left[i] = left[i+1] + h[i]*h[i]
		}
		at := func(db float64) float64 {
			for i := range left {
				if left[i] < left[0]*math.Pow(10, db/10) {
					return float64(i) / rate
				}
			}
			return math.Inf(1)
		}
		got := 3 * (at(-25) - at(-5))
		v, s := 1.4*1.2*2.2, 2*(1.4*1.2+1.4*2.2+1.2*2.2)
		want := 0.161 * v / (-s * math.Log(1-a))
		t.Logf("absorption %.1f: %.3f s, formula %.3f s", a, got, want)
		longest := 13.8 * 2.2 / (-soundMS * math.Log(1-a))
		if got < want || got > longest {
			t.Errorf("absorption %.1f: reverberation %.3f s, bounds %.3f and %.3f s", a, got, want, longest)
		}
	}
}

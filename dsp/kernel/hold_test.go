package kernel

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// windowed is what a sliding kernel is: f over the last n values, zeros before
// the first.
func windowed(x []float64, n int, f func(window []float64) float64) []float64 {
	padded := append(make([]float64, n-1), x...)
	y := make([]float64, len(x))
	for i := range y {
		y[i] = f(padded[i : i+n])
	}
	return y
}

func greatest(window []float64) float64 {
	m := 0.0
	for _, v := range window {
		m = math.Max(m, v)
	}
	return m
}

func average(window []float64) float64 {
	sum := 0.0
	for _, v := range window {
		sum += v
	}
	return sum / float64(len(window))
}

func TestHoldAndMeanAgainstWindows(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 1))
	x := make([]float64, 3000)
	for i := range x {
		x[i] = random.ExpFloat64()
		if i/400%3 == 2 {
			x[i] = 0
		}
	}
	for _, n := range []int{1, 2, 7, 55, 128, 129, 700, 2900, 4000} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			hold, mean := NewHold(n), NewMean(n)
			wantHold, wantMean := windowed(x, n, greatest), windowed(x, n, average)
			for run := range 2 { // the second after Reset
				gotHold, gotMean := append([]float64(nil), x...), append([]float64(nil), x...)
				for at := 0; at < len(x); {
					end := min(len(x), at+1+random.IntN(200))
					hold.Process(gotHold[at:end])
					mean.Process(gotMean[at:end])
					at = end
				}
				if i := sameBits(gotHold, wantHold); i >= 0 {
					t.Fatalf("run %d: maximum at %d is %g, want %g", run, i, gotHold[i], wantHold[i])
				}
				for i, want := range wantMean {
					if math.Abs(gotMean[i]-want) > 1e-13 || want == 0 && gotMean[i] != 0 {
						t.Fatalf("run %d: mean at %d is %g, want %g", run, i, gotMean[i], want)
					}
				}
				hold.Reset()
				mean.Reset()
			}
		})
	}
}

// A limiter rounds its gains to whole 2^-32 dB, so that sums are exact and the
// mean has the same bits wherever the stretches begin.
func TestMeanOfRoundedValuesDoesNotDependOnHistory(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 2))
	const n = 23
	x := make([]float64, 2000)
	for i := range x {
		x[i] = math.Floor(-30*random.Float64()*0x1p32) * 0x1p-32
	}
	whole := append([]float64(nil), x...)
	NewMean(n).Process(whole)
	for skip := 1; skip < 60; skip++ {
		tail := append([]float64(nil), x[skip:]...)
		NewMean(n).Process(tail)
		if i := sameBits(tail[n:], whole[skip+n:]); i >= 0 {
			t.Fatalf("started %d values later, the mean at %d is %.17g, not %.17g", skip, skip+n+i, tail[n+i], whole[skip+n+i])
		}
	}
}

// What is not a number leaves with its window.
func TestMeanRecovers(t *testing.T) {
	m := NewMean(10)
	v := make([]float64, 100)
	v[30], v[31] = math.NaN(), math.Inf(1)
	for i := 50; i < 100; i++ {
		v[i] = 2
	}
	m.Process(v)
	for i := 60; i < 100; i++ {
		if v[i] != 2 {
			t.Fatalf("mean at %d is %g, want 2", i, v[i])
		}
	}
}

func TestDetectors(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 3))
	for _, step := range []int{8, 16} {
		x := make([]float64, 1024)
		for i := range x {
			x[i] = random.NormFloat64()
		}
		peaks, powers := make([]float64, 1024/step), make([]float64, 1024/step)
		Peaks(peaks, x, step)
		Powers(powers, x, step)
		for i := range peaks {
			peak, power := 0.0, 0.0
			for _, v := range x[i*step : (i+1)*step] {
				peak = math.Max(peak, math.Abs(v))
				power += v * v / float64(step)
			}
			if peaks[i] != peak || math.Abs(powers[i]-power) > 1e-14 {
				t.Fatalf("step %d, value %d: peak %g, power %g; want %g, %g", step, i, peaks[i], powers[i], peak, power)
			}
		}
	}
}

func BenchmarkSliding(b *testing.B) {
	const controls = 128 // of a quantum
	v := make([]float64, controls)
	for i := range v {
		v[i] = 1 + math.Sin(float64(i*i))
	}
	for _, n := range []int{56, 700} {
		b.Run(fmt.Sprintf("Hold/%d", n), func(b *testing.B) {
			h, w := NewHold(n), make([]float64, controls)
			for range b.N {
				copy(w, v)
				h.Process(w)
			}
			reportTimesRealTime(b, 1024)
		})
		b.Run(fmt.Sprintf("Mean/%d", n), func(b *testing.B) {
			m, w := NewMean(n), make([]float64, controls)
			for range b.N {
				copy(w, v)
				m.Process(w)
			}
			reportTimesRealTime(b, 1024)
		})
	}
}

package kernel

import (
	"math"
	"math/rand/v2"
	"testing"
)

// After n values at a rate, a one-pole smoother has 1 - exp(-n/(τ·rate)) of a
// step behind it.
func TestSmoothIsExponential(t *testing.T) {
	for _, rate := range []float64{44100. / 8, 48000. / 8, 96000. / 16} {
		s := NewSmooth(10, 150, 0, rate)
		n := int(rate)
		v := make([]float64, 2*n)
		for i := range v[:n] {
			v[i] = -10.5
		}
		s.Process(v)
		for i := range v {
			want := -10.5 * (1 - math.Exp(-float64(i+1)/(0.010*rate)))
			if i >= n {
				want = -10.5 * math.Exp(-float64(i-n+1)/(0.150*rate))
			}
			if math.Abs(v[i]-want) > 2e-9 {
				t.Fatalf("at %g Hz value %d is %.12f dB, want %.12f", rate, i, v[i], want)
			}
		}
		s.Process(v[:n:n]) // still recovering
		rest := make([]float64, 8*n)
		s.Process(rest)
		if last := rest[len(rest)-1]; math.Float64bits(last) != 0 {
			t.Errorf("at %g Hz the gain rests at %g dB, want 0 exactly", rate, last)
		}
		s.Reset()
		if s.gainDB != 0 {
			t.Errorf("Reset leaves %g dB", s.gainDB)
		}
	}
}

func TestSmoothAtOnce(t *testing.T) {
	s := NewSmooth(0, 0, -20, 5512.5)
	v := []float64{-3, 0, -40, 0}
	s.Process(v)
	for i, want := range []float64{-3, 0, -40, 0} {
		if v[i] != want {
			t.Errorf("value %d is %g dB, want %g", i, v[i], want)
		}
	}
}

func TestRamp(t *testing.T) {
	const step = 8
	gains := []float64{1, 1, 0.5, 0.5, 0.5, 1, 1, 2}
	x := make([]float64, step*len(gains))
	for i := range x {
		x[i] = 1
	}
	r := NewRamp(step, 1)
	r.Process(x, gains)
	last := 1.0
	for i, g := range gains {
		for k := range step {
			want := last + (g-last)*float64(k+1)/step
			if got := x[i*step+k]; math.Abs(got-want) > 1e-15 {
				t.Fatalf("sample %d has gain %g, want %g", i*step+k, got, want)
			}
		}
		last = g
	}
	random := rand.New(rand.NewPCG(4, 1))
	y := make([]float64, 512)
	for i := range y {
		y[i] = random.NormFloat64()
	}
	ones := make([]float64, len(y)/step)
	for i := range ones {
		ones[i] = 1
	}
	r.Reset()
	z := append([]float64(nil), y...)
	r.Process(z, ones)
	if i := sameBits(y, z); i >= 0 {
		t.Errorf("a gain of 1 changes sample %d", i)
	}
}

func TestDelay(t *testing.T) {
	for _, n := range []int{0, 1, 37, 1024, 1500} {
		d := NewDelay(n, 1024)
		for run := range 2 {
			var in, out []float64
			for q := range 4 {
				x := make([]float64, 1024)
				for i := range x {
					x[i] = float64(1 + q*1024 + i)
				}
				in = append(in, x...)
				d.Process(x)
				out = append(out, x...)
			}
			if i := sameBits(out, append(make([]float64, n), in...)[:len(out)]); i >= 0 {
				t.Fatalf("delay %d, run %d: sample %d is %g", n, run, i, out[i])
			}
			d.Reset()
		}
	}
}

func TestDynamicsKernelsDoNotAllocate(t *testing.T) {
	x, v := make([]float64, 1024), make([]float64, 128)
	hold, mean := NewHold(661), NewMean(110)
	smooth, ramp, delay := NewSmooth(5, 100, 0, 5512.5), NewRamp(8, 1), NewDelay(353, 1024)
	curve := Expansion(-50, 2, 6, 20)
	if n := testing.AllocsPerRun(10, func() {
		Powers(v, x, 8)
		Peaks(v, x, 8)
		hold.Process(v)
		mean.Process(v)
		AmplitudesToDB(v, v)
		curve.GainsDB(v, v)
		smooth.Process(v)
		DBToAmplitudes(v, v)
		delay.Process(x)
		ramp.Process(x, v)
	}); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func BenchmarkRamp(b *testing.B) {
	x, gains := make([]float64, 1024), make([]float64, 128)
	for i := range gains {
		gains[i] = 0.9 + 0.2*float64(i%2)
	}
	r := NewRamp(8, 1)
	for range b.N {
		for i := range x {
			x[i] = 1
		}
		r.Process(x, gains)
	}
	reportTimesRealTime(b, len(x))
}

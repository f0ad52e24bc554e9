package spectrum

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

func noise(seed uint64, n int) []float64 {
	r := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, n)
	for i := range x {
		x[i] = 2*r.Float64() - 1
	}
	return x
}

func newFFT(t testing.TB, n int) *FFT {
	t.Helper()
	f, err := NewFFT(n)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// slowDFT is the definition, with the angle reduced before the sine.
func slowDFT(x []float64, k int) complex128 {
	var re, im float64
	for i, v := range x {
		angle := 2 * math.Pi * float64(i*k%len(x)) / float64(len(x))
		re += v * math.Cos(angle)
		im -= v * math.Sin(angle)
	}
	return complex(re, im)
}

func distance(a, b complex128) float64 { return math.Hypot(real(a-b), imag(a-b)) }

func TestFFTIsTheDFT(t *testing.T) {
	for n := MinSize; n <= MaxSize; n *= 2 {
		x := noise(uint64(n), n)
		bins := make([]complex128, n/2+1)
		newFFT(t, n).Forward(bins, x)
		step := max(1, n*n/(1<<21)) // every bin up to 1024, then fewer
		for k := 0; k <= n/2; k += step {
			if d := distance(bins[k], slowDFT(x, k)); d > 1e-13*float64(n) {
				t.Errorf("size %d bin %d: %v is %g away from the sum", n, k, bins[k], d)
			}
		}
	}
}

func TestFFTOfAnImpulse(t *testing.T) {
	// The spectrum of an impulse at i is a pure turn: exact at every size.
	for n := MinSize; n <= MaxSize; n *= 4 {
		for _, at := range []int{0, 1, n / 2, n - 1} {
			x := make([]float64, n)
			x[at] = 1
			bins := make([]complex128, n/2+1)
			newFFT(t, n).Forward(bins, x)
			for k, v := range bins {
				angle := 2 * math.Pi * float64(at*k%n) / float64(n)
				if d := distance(v, complex(math.Cos(angle), -math.Sin(angle))); d > 1e-14 {
					t.Fatalf("size %d impulse at %d bin %d: %v, off by %g", n, at, k, v, d)
				}
			}
		}
	}
}

func TestFFTParseval(t *testing.T) {
	for n := MinSize; n <= MaxSize; n *= 2 {
		x := noise(3, n)
		bins := make([]complex128, n/2+1)
		newFFT(t, n).Forward(bins, x)
		var time, freq float64
		for _, v := range x {
			time += v * v
		}
		for k, v := range bins {
			p := real(v)*real(v) + imag(v)*imag(v)
			if k > 0 && k < n/2 {
				p *= 2
			}
			freq += p / float64(n)
		}
		if math.Abs(freq/time-1) > 1e-13 {
			t.Errorf("size %d: energy %g in time, %g in frequency", n, time, freq)
		}
	}
}

func TestInverseUndoesForward(t *testing.T) {
	for n := MinSize; n <= MaxSize; n *= 2 {
		f := newFFT(t, n)
		x := noise(4, n)
		bins := make([]complex128, n/2+1)
		f.Forward(bins, x)
		back := make([]float64, n)
		f.Inverse(back, bins)
		for i := range x {
			if math.Abs(back[i]-x[i]) > 3e-15 {
				t.Fatalf("size %d sample %d: %g came back as %g", n, i, x[i], back[i])
			}
		}
	}
}

func TestFFTRefusesSizes(t *testing.T) {
	for _, n := range []int{-4, 0, 1, 2, 3, 48, 1000, MaxSize * 2} {
		if _, err := NewFFT(n); err == nil {
			t.Errorf("size %d was accepted", n)
		}
	}
}

func TestFFTDoesNotAllocate(t *testing.T) {
	f := newFFT(t, 1024)
	x, bins := noise(5, 1024), make([]complex128, 513)
	if n := testing.AllocsPerRun(10, func() { f.Forward(bins, x); f.Inverse(x, bins) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func TestHann(t *testing.T) {
	for _, n := range []int{1, 2, 4, 7, 1024} {
		for i, v := range Hann(n) {
			want := 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(n))
			if math.Abs(v-want) > 1e-15 {
				t.Errorf("sample %d of %d: %g, want %g", i, n, v, want)
			}
		}
	}
}

func BenchmarkForward(b *testing.B) {
	for _, n := range []int{256, 2048, 4096, 65536} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			f, x, bins := newFFT(b, n), noise(1, n), make([]complex128, n/2+1)
			for b.Loop() {
				f.Forward(bins, x)
			}
			seconds := b.Elapsed().Seconds() / float64(b.N)
			b.ReportMetric(float64(n)/44100/seconds, "x-real-time")
		})
	}
}

// A step by machine code has the bits of the Go code's, of any values.
func TestStepsAreTheSame(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for _, n := range []int{32, 128, 2048, 8192} {
		f, err := NewFFT(n)
		if err != nil {
			t.Fatal(err)
		}
		for size, stride := n/8, 4; size >= 4; size, stride = size/4, stride*4 {
			var x, fast, slow split
			for _, v := range []*split{&x, &fast, &slow} {
				v.re, v.im = make([]float64, n/2), make([]float64, n/2)
			}
			for i := range x.re {
				x.re[i], x.im[i] = rng.NormFloat64(), math.Ldexp(rng.NormFloat64(), rng.IntN(200)-1050)
			}
			f.radix4(x, fast, size, stride)
			f.radix4Slow(x, slow, size, stride)
			for i := range fast.re {
				if math.Float64bits(fast.re[i]) != math.Float64bits(slow.re[i]) || math.Float64bits(fast.im[i]) != math.Float64bits(slow.im[i]) {
					t.Fatalf("size %d, stride %d of %d: value %d is (%g, %g), want (%g, %g)", size, stride, n, i, fast.re[i], fast.im[i], slow.re[i], slow.im[i])
				}
			}
		}
	}
}

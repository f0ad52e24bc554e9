package kernel

import (
	"math"
	"math/rand/v2"
	"testing"
)

// edges are numbers of every kind and size, as many as asked for.
func edges(n int) []float64 {
	random := rand.New(rand.NewPCG(4, 1))
	kinds := []float64{0, math.Copysign(0, -1), 1, -1, math.Sqrt2, math.Sqrt2 / 2, math.Nextafter(1, 0), 5e-324, -5e-324, 0x1p-1022,
		0x1p-40, 0x1p-80, math.Nextafter(0x1p-40, 0), math.Inf(1), math.Inf(-1), math.NaN(), math.MaxFloat64, 6000, -6000, 6001, -6001, -0.5, 3.010299956639812}
	v := make([]float64, n)
	for i := range v {
		switch random.IntN(4) {
		case 0:
			v[i] = kinds[random.IntN(len(kinds))]
		case 1:
			v[i] = math.Float64frombits(random.Uint64())
		case 2:
			v[i] = 400*random.Float64() - 200
		default:
			v[i] = random.Float64()
		}
	}
	return v
}

// What is done four at a time has the bits of what is done one by one, which is
// always a loop.
func TestVectorsHaveTheBitsOfLoops(t *testing.T) {
	if !vectors {
		t.Skip("this processor has no vectors")
	}
	src := edges(40003)
	for name, f := range map[string]func(dst, src []float64){"AmplitudesToDB": AmplitudesToDB, "PowersToDB": PowersToDB, "DBToAmplitudes": DBToAmplitudes} {
		got := make([]float64, len(src))
		f(got, src)
		for i, v := range src {
			want := []float64{v}
			f(want, want)
			if math.Float64bits(got[i]) != math.Float64bits(want[0]) {
				t.Fatalf("%s of %g (%x) is %g among others and %g alone", name, v, math.Float64bits(v), got[i], want[0])
			}
		}
	}
}

func same(a, b float64) bool {
	return math.Float64bits(a) == math.Float64bits(b) || math.IsNaN(a) && math.IsNaN(b)
}

// The sums of Powers are those that its doc names, whatever the processor.
func TestPowersHaveOneOrder(t *testing.T) {
	for _, step := range []int{8, 16, 24} {
		x := edges(step * 501)
		got, loop := make([]float64, 501), make([]float64, 501)
		Powers(got, x, step)
		powersLoop(loop, x, step)
		for i := range got {
			var e [4]float64
			for at := i * step; at < (i+1)*step; at += 8 {
				for k := range e {
					e[k] += float64(x[at+k]*x[at+k]) + float64(x[at+k+4]*x[at+k+4])
				}
			}
			if want := ((e[0] + e[1]) + (e[2] + e[3])) / float64(step); !same(got[i], want) || !same(loop[i], want) {
				t.Fatalf("step of %d: power %d is %g, in the loop %g, want %g", step, i, got[i], loop[i], want)
			}
		}
	}
	Powers(nil, nil, 8)
}

// A ramp is one line of arithmetic a sample, in vectors and in the loop, and over
// a gain of 1 it leaves the bits alone.
func TestRampHasOneOrder(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 1))
	for _, step := range []int{4, 8, 16} {
		const n = 300
		x, gains := edges(step*n), make([]float64, n)
		for i := range gains {
			gains[i] = []float64{1, 1, random.Float64(), 0.5, 0, math.Copysign(0, -1), 5e-324, math.Inf(1)}[random.IntN(8)]
			if i > 0 && random.IntN(3) == 0 {
				gains[i] = gains[i-1]
			}
		}
		want := append([]float64(nil), x...)
		last := 1.0
		for i, g := range gains {
			for k := range step {
				if g != 1 || last != 1 {
					want[i*step+k] *= last + float64((g-last)*(float64(k+1)/float64(step)))
				}
			}
			last = g
		}
		for name, process := range map[string]func(r *Ramp, x, gains []float64){"process": (*Ramp).Process, "loop": (*Ramp).loop} {
			r, got := NewRamp(step, 1), append([]float64(nil), x...)
			process(r, got[:step*100], gains[:100])
			process(r, got[step*100:], gains[100:])
			for i := range got {
				if !same(got[i], want[i]) {
					t.Fatalf("%s, step of %d: sample %d is %g, want %g", name, step, i, got[i], want[i])
				}
			}
		}
	}
}

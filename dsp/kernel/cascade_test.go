package kernel

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// randomSections are stable sections with poles up to radius 0.999.
func randomSections(random *rand.Rand, n int) []Biquad {
	sections := make([]Biquad, n)
	for i := range sections {
		r, w := 0.2+0.799*random.Float64(), math.Pi*random.Float64()
		z, v := 1.2*random.Float64(), math.Pi*random.Float64()
		sections[i] = Biquad{0.5 + random.Float64(), -2 * z * Cos(v), z * z, -2 * r * Cos(w), r * r}
	}
	return sections
}

// slow is the difference equation, one section and one sample at a time.
func slow(sections []Biquad, quantum int, x []float64) []float64 {
	y := append([]float64(nil), x...)
	for _, q := range sections {
		var x1, x2, y1, y2 float64
		for i, v := range y {
			if i > 0 && i%quantum == 0 {
				for _, s := range []*float64{&x1, &x2, &y1, &y2} {
					if math.Abs(*s) < 1e-30 {
						*s = 0
					}
				}
			}
			forward := float64(q.B0*v) + float64(q.B1*x1)
			second := float64(q.B2*x2) - float64(q.A2*y2)
			out := forward + second - float64(q.A1*y1)
			x1, x2, y1, y2 = v, x1, out, y1
			y[i] = out
		}
	}
	return y
}

func sameBits(a, b []float64) int {
	for i := range a {
		if math.Float64bits(a[i]) != math.Float64bits(b[i]) {
			return i
		}
	}
	return -1
}

func TestCascadeEqualsOneSectionAtATime(t *testing.T) {
	const quantum, quanta = 1024, 12
	random := rand.New(rand.NewPCG(1, 1))
	inputs := map[string]func(i int) float64{
		"noise":            func(int) float64 { return 2*random.Float64() - 1 },
		"burst, silence":   func(i int) float64 { return map[bool]float64{true: 2*random.Float64() - 1}[i < 700] },
		"denormals":        func(int) float64 { return 5e-324 * float64(random.IntN(9)-4) },
		"square":           func(i int) float64 { return 1 - 2*float64(i/50%2) },
		"negative zero":    func(int) float64 { return math.Copysign(0, -1) },
		"dying to nothing": func(i int) float64 { return Exp(-float64(i) / 10) },
	}
	for name, draw := range inputs {
		for n := range 14 {
			sections := randomSections(random, n)
			x := make([]float64, quantum*quanta)
			for i := range x {
				x[i] = draw(i)
			}
			want := slow(sections, quantum, x)
			whole, loops, parts := NewCascade(sections), newCascade(sections, false), []*Cascade{}
			for k := 0; k < n; { // the same sections in cascades of other lengths
				m := min(n-k, 1+random.IntN(5))
				parts = append(parts, NewCascade(sections[k:k+m]))
				k += m
			}
			got, grouped, looped := append([]float64(nil), x...), append([]float64(nil), x...), append([]float64(nil), x...)
			for q := 0; q < len(x); q += quantum {
				whole.Process(got[q : q+quantum])
				loops.Process(looped[q : q+quantum])
				for _, p := range parts {
					p.Process(grouped[q : q+quantum])
				}
			}
			if i := sameBits(got, want); i >= 0 {
				t.Fatalf("%s, %d sections, sample %d: %g, one at a time %g", name, n, i, got[i], want[i])
			}
			if i := sameBits(grouped, want); i >= 0 {
				t.Fatalf("%s, %d sections, sample %d: grouped %g, one at a time %g", name, n, i, grouped[i], want[i])
			}
			if i := sameBits(looped, want); i >= 0 {
				t.Fatalf("%s, %d sections, sample %d: without vectors %g, one at a time %g", name, n, i, looped[i], want[i])
			}
			whole.Reset()
			again := append([]float64(nil), x[:quantum]...)
			whole.Process(again)
			if i := sameBits(again, want[:quantum]); i >= 0 {
				t.Fatalf("%s, %d sections: after Reset sample %d differs", name, n, i)
			}
		}
	}
}

// Blocks of every length give the bits of loops, and what is no number stays
// where the loops have it.
func TestNetEqualsLoops(t *testing.T) {
	if !vectors {
		t.Skip("this processor has no vectors")
	}
	random := rand.New(rand.NewPCG(3, 1))
	for n := leastInNet; n <= 8; n++ {
		sections := randomSections(random, n)
		net, loops := newCascade(sections, true), newCascade(sections, false)
		for length := 1; length < 200; length++ {
			x := make([]float64, length)
			for i := range x {
				x[i] = 2*random.Float64() - 1
			}
			if length == 190 {
				x[100] = math.Inf(1) // and from here on all is NaN, but only behind it
			}
			y := append([]float64(nil), x...)
			net.Process(x)
			loops.Process(y)
			for i := range x {
				if math.Float64bits(x[i]) != math.Float64bits(y[i]) && !(math.IsNaN(x[i]) && math.IsNaN(y[i])) {
					t.Fatalf("%d sections, block of %d: [%d] is %g in a net, %g in loops", n, length, i, x[i], y[i])
				}
			}
		}
		net.Reset()
		loops.Reset()
		x := make([]float64, 1024)
		x[0] = 1
		y := append([]float64(nil), x...)
		net.Process(x)
		loops.Process(y)
		if i := sameBits(x, y); i >= 0 {
			t.Fatalf("%d sections after Reset: [%d] is %g in a net, %g in loops", n, i, x[i], y[i])
		}
	}
}

func TestCascadeComesToRest(t *testing.T) {
	w := 2 * math.Pi * 100 / 44100
	c := NewCascade([]Biquad{{1, 0, 0, -2 * 0.99 * Cos(w), 0.99 * 0.99}})
	block := make([]float64, 1024)
	block[0] = 1
	for range 12 { // 0.99^12288 = 1e-53
		c.Process(block)
		clear(block)
	}
	for _, g := range c.groups {
		if g.history != ([9][2]float64{}) {
			t.Errorf("state %v after the decay passed 1e-30, want zero", g.history)
		}
	}
}

func TestSplitSumsToItsAllpass(t *testing.T) {
	const quantum = 1024
	random := rand.New(rand.NewPCG(2, 1))
	for _, hz := range []float64{20, 180, 2600, 12000, 20000} {
		k := Tan(math.Pi * hz / 44100)
		norm := 1 / (1 + math.Sqrt2*k + k*k)
		lowpass := Biquad{k * k * norm, 2 * k * k * norm, k * k * norm, 2 * (k*k - 1) * norm, (1 - math.Sqrt2*k + k*k) * norm}
		s := NewSplit(lowpass)
		allpass, twice := NewCascade([]Biquad{s.Allpass()}), NewCascade([]Biquad{lowpass, lowpass})
		x, low, high := make([]float64, quantum), make([]float64, quantum), make([]float64, quantum)
		for range 20 {
			for i := range x {
				x[i] = 2*random.Float64() - 1
			}
			s.Process(x, low, high)
			wantLow, wantSum := append([]float64(nil), x...), append([]float64(nil), x...)
			twice.Process(wantLow)
			allpass.Process(wantSum)
			if i := sameBits(low, wantLow); i >= 0 {
				t.Fatalf("%g Hz: low[%d] = %g, the cascade of two sections %g", hz, i, low[i], wantLow[i])
			}
			for i := range x {
				if d := math.Abs(low[i] + high[i] - wantSum[i]); d > 1e-15 {
					t.Fatalf("%g Hz: sum is off the all-pass by %g at %d", hz, d, i)
				}
			}
		}
		s.Reset()
		s.Process(x, low, high)
		s.Reset()
		s.Process(x, low, x) // the high band in place of the input
		if i := sameBits(x, high); i >= 0 {
			t.Fatalf("%g Hz: high[%d] differs when it replaces the input", hz, i)
		}
	}
}

func TestKernelsDoNotAllocate(t *testing.T) {
	c := NewCascade(randomSections(rand.New(rand.NewPCG(1, 1)), 7))
	s := NewSplit(Biquad{B0: 0.1, B1: 0.2, B2: 0.1, A1: -0.9, A2: 0.3})
	x, low := make([]float64, 1024), make([]float64, 1024)
	if n := testing.AllocsPerRun(10, func() { c.Process(x); s.Process(x, low, x) }); n != 0 {
		t.Errorf("%g allocations a quantum", n)
	}
}

func benchmarkRate(b *testing.B, process func(block []float64)) {
	random := rand.New(rand.NewPCG(1, 1))
	noise, block := make([]float64, 1024), make([]float64, 1024)
	for i := range noise {
		noise[i] = random.Float64() - 0.5
	}
	for b.Loop() {
		copy(block, noise)
		process(block)
	}
	b.ReportMetric(float64(b.N)*1024/44100/b.Elapsed().Seconds(), "x-realtime")
}

func BenchmarkCascade(b *testing.B) {
	for _, n := range []int{1, 2, 3, 4, 6, 8, 12} {
		for name, vectors := range map[string]bool{"vectors": vectors, "loops": false} {
			b.Run(fmt.Sprintf("%02d %s", n, name), func(b *testing.B) {
				benchmarkRate(b, newCascade(randomSections(rand.New(rand.NewPCG(1, 1)), n), vectors).Process)
			})
		}
	}
}

func BenchmarkSplit(b *testing.B) {
	s, low := NewSplit(Biquad{0.1, 0.2, 0.1, -0.9, 0.3}), make([]float64, 1024)
	benchmarkRate(b, func(block []float64) { s.Process(block, low, block) })
}

package kernel

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// peakSignals are signals on which skipping could go wrong.
func peakSignals(n int) map[string][]float64 {
	rng := rand.New(rand.NewPCG(7, 11))
	make1 := func(f func(i int) float64) []float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = f(i)
		}
		return x
	}
	return map[string][]float64{
		"silence":      make1(func(int) float64 { return 0 }),
		"noise":        make1(func(int) float64 { return 2*rng.Float64() - 1 }),
		"bursts":       make1(func(i int) float64 { return rng.NormFloat64() * Exp(-float64(i%700)/60) }),
		"rising":       make1(func(i int) float64 { return rng.NormFloat64() * float64(i) / float64(n) }),
		"clicks":       make1(func(i int) float64 { return math.Floor(rng.Float64() + 0.002) }),
		"quarter rate": make1(func(i int) float64 { return Sin(math.Pi*float64(i)/2 + math.Pi/4) }),
		"signs":        make1(func(int) float64 { return math.Copysign(1, rng.Float64()-0.5) }),
		"denormal":     make1(func(int) float64 { return 1e-310 * rng.NormFloat64() }),
		"constant":     make1(func(int) float64 { return 0.25 }),
		"last sample":  make1(func(i int) float64 { return float64(i / (n - 1)) }),
	}
}

// never returns an interpolator that skips nothing.
func never() *Interpolator {
	p := NewInterpolator()
	p.bound = math.Inf(1)
	return p
}

func TestSkippingIsExact(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for name, x := range peakSignals(4001) {
		brute := &TruePeak{interp: never(), n: 2 * reach}
		brute.Write(x)
		want := brute.Peak()
		for range 5 {
			m := NewTruePeak()
			for rest := x; len(rest) > 0; {
				n := min(len(rest), 1+rng.IntN(900))
				m.Write(rest[:n])
				m.Peak() // a look in between changes nothing
				rest = rest[n:]
			}
			if got := m.Peak(); got != want {
				t.Errorf("%s: peak %v with skipping, %v without", name, got, want)
			}
		}
	}
}

func TestSubMaxIsExactAboveTheFloor(t *testing.T) {
	exact, brute := NewInterpolator(), never()
	for name, x := range peakSignals(2*reach + 4000) {
		for _, step := range []int{8, 16} {
			got, want := make([]float64, 4000/step), make([]float64, 4000/step)
			brute.SubMax(want, x, step, -1)
			for _, floor := range []float64{0, 0.3, 0.9, 1.5} {
				exact.SubMax(got, x, step, floor)
				for j := range got {
					if got[j] != want[j] && (got[j] > floor || want[j] > floor) {
						t.Fatalf("%s: step %d of %d samples, floor %v: %v, want %v", name, j, step, floor, got[j], want[j])
					}
				}
			}
		}
	}
}

// TestInterpolatorAgainstPlainSum compares with the textbook sum over 16 taps.
func TestInterpolatorAgainstPlainSum(t *testing.T) {
	x := peakSignals(3 * reach)["noise"]
	var want float64
	for i := reach; i < 2*reach; i++ {
		want = math.Max(want, math.Abs(x[i]))
		for phase := 1; phase < 8; phase++ {
			var y, total float64
			for k := -7; k <= 8; k++ {
				at := float64(k) - float64(phase)/8
				w := math.Sin(math.Pi*at) / (math.Pi * at) * BesselI0(5*math.Sqrt(1-at*at/64))
				y += w * x[i+k]
				total += w
			}
			want = math.Max(want, math.Abs(y/total))
		}
	}
	if got := never().Max(0, x); math.Abs(got-want) > 1e-14 {
		t.Errorf("largest point %v, want %v", got, want)
	}
}

// TestBoundIsReached feeds the signs of the longest phase: nothing is larger.
func TestBoundIsReached(t *testing.T) {
	p := NewInterpolator()
	x := make([]float64, 3*reach)
	for k := range p.sum {
		s := math.Copysign(1, p.sum[k][3])
		x[reach-1-k+reach/2], x[reach+k+reach/2] = s, s
	}
	got := p.Max(0, x)
	if got > p.bound || got < p.bound*(1-1e-11) {
		t.Errorf("the signs of the longest phase give %v, the bound is %v", got, p.bound)
	}
}

// TestInterpolatorGain reads sines of every phase. The under-read between points
// is that of ITU-R BS.1770-5 Annex 2, 20·log10 cos(π·f/8); 0.05 dB is the
// documented ripple.
func TestInterpolatorGain(t *testing.T) {
	const n = 512
	p := NewInterpolator()
	for f := 0.01; f <= 0.4001; f += 0.01 {
		under := -DB(Cos(math.Pi * f / 8))
		for phase := 0; phase < 32; phase++ {
			x := make([]float64, n)
			for i := range x {
				x[i] = Sin(2*math.Pi*f*float64(i) + math.Pi*float64(phase)/32)
			}
			if got := DB(p.Max(0, x)); got > 0.05 || got < -under-0.05 && f*n > 20 {
				t.Errorf("sine at %.2f of the rate, phase %d/32: %.3f dB, want -%.3f-0.05 to +0.05", f, phase, got, under)
			}
		}
	}
}

// TestInterpolatorSameBits holds the bits of a peak between samples: the same
// under GOAMD64=v1, GOAMD64=v3 and GODEBUG=cpu.fma=off.
func TestInterpolatorSameBits(t *testing.T) {
	got := math.Float64bits(NewInterpolator().Max(0, peakSignals(4000)["noise"]))
	const want = 0x3ff9202b0448ca9c
	if got != want {
		t.Errorf("peak of the noise has bits %#x, want %#x", got, uint64(want))
	}
}

func BenchmarkTruePeak(b *testing.B) {
	const n = 441000
	all := peakSignals(n)
	all["speech-like"] = make([]float64, n)
	rng := rand.New(rand.NewPCG(3, 4))
	var y float64
	for i := range all["speech-like"] {
		y = 0.95*y + rng.NormFloat64()
		level := math.Abs(Sin(float64(i)/44100*2*math.Pi*2) * Sin(float64(i)/44100*2*math.Pi*0.31))
		all["speech-like"][i] = 0.03 * y * level * level
	}
	for _, name := range []string{"speech-like", "noise"} {
		b.Run(name, func(b *testing.B) {
			m := NewTruePeak()
			for b.Loop() {
				m.peak = 0
				m.Write(all[name])
			}
			perRun := b.Elapsed().Seconds() / float64(b.N)
			b.ReportMetric(n/44100./perRun, "x-real-time")
		})
		b.Run(fmt.Sprintf("%s/without skipping", name), func(b *testing.B) {
			m := &TruePeak{interp: never(), n: 2 * reach}
			for b.Loop() {
				m.Write(all[name])
			}
			perRun := b.Elapsed().Seconds() / float64(b.N)
			b.ReportMetric(n/44100./perRun, "x-real-time")
		})
	}
}

package dsptest

import (
	"math"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// good is a processor that keeps the contract: a delay behind a one-pole
// low-pass, with a gain trace. Each test below breaks one promise of it.
type good struct {
	late      int
	held, out []float64
	cascade   *kernel.Cascade
	gains     []float64
	kept      []float64
	broken    func(g *good, block []float64)
	reset     func(g *good)
}

func newGood() *good {
	return &good{
		late:    300,
		held:    make([]float64, 300),
		out:     make([]float64, dsp.Quantum+300),
		cascade: kernel.NewCascade([]kernel.Biquad{{B0: 0.9, A1: -0.1}}),
		gains:   make([]float64, dsp.Quantum/8),
	}
}

func (g *good) Process(block []float64) {
	g.cascade.Process(block)
	copy(g.out, g.held)
	copy(g.out[300:], block)
	copy(block, g.out)
	copy(g.held, g.out[len(block):])
	if g.broken != nil {
		g.broken(g, block)
	}
}
func (g *good) Latency() int { return g.late }
func (g *good) Reset() {
	clear(g.held)
	g.cascade.Reset()
	if g.reset != nil {
		g.reset(g)
	}
}
func (g *good) GainsDB() []float64 { return g.gains }

func TestExerciseAcceptsAGoodProcessor(t *testing.T) {
	Exercise(t, 44100, func() dsp.Processor { return newGood() })
	Settle(t, 44100, func() dsp.Processor { return newGood() }, 1024)
}

func TestExerciseCatches(t *testing.T) {
	shared := 0.0
	for _, c := range []struct {
		name, want string
		check      func(float64, func() dsp.Processor) error
		broken     func(g *good, block []float64)
		prepare    func(g *good)
	}{
		{"a state outside the processor", "in blocks of", checkSplits,
			func(g *good, b []float64) { shared++; b[0] += shared }, nil},
		{"a state that survives Reset", "after Reset", checkReset,
			func(g *good, b []float64) { g.gains[0]--; b[5] += g.gains[0] }, nil},
		{"a latency that Reset changes", "latency is", checkReset, nil,
			func(g *good) { g.reset = func(g *good) { g.late++ } }},
		{"an allocation", "allocates", checkAllocations,
			func(g *good, b []float64) { g.kept = make([]float64, 10) }, nil},
		{"NaN out of silence", "silence gives NaN", checkFinite,
			func(g *good, b []float64) {
				var power float64
				for _, v := range b {
					power += v * v
				}
				b[0] *= math.Sqrt(power) / power
			}, nil},
		{"Inf out of denormals", "denormals gives", checkFinite,
			func(g *good, b []float64) {
				if v := math.Abs(b[1]); v > 0 && v < 1e-320 {
					b[1] = 1 / v
				}
			}, func(g *good) { g.cascade = kernel.NewCascade(nil) }},
		{"a block that is kept", "keeps its argument", checkArgument,
			func(g *good, b []float64) {
				if g.kept != nil {
					b[3] += g.kept[4]
				}
				g.kept = b
			}, nil},
		{"a write beyond the block", "beyond the end", checkArgument,
			func(g *good, b []float64) {
				if cap(b) > len(b) {
					b[:len(b)+1][len(b)] = 0
				}
			}, nil},
		{"a state outside the processor, in short", "cut at random", short,
			func(g *good, b []float64) { shared++; b[0] += shared }, nil},
		{"a state that survives Reset, in short", "after Reset", short,
			func(g *good, b []float64) { g.gains[0]--; b[5] += g.gains[0] }, nil},
		{"NaN out of silence, in short", "is NaN", short,
			func(g *good, b []float64) {
				var power float64
				for _, v := range b {
					power += v * v
				}
				b[0] *= math.Sqrt(power) / power
			}, nil},
		{"a gain as a ratio gone wild, in short", "a gain of 20 dB", short,
			func(g *good, b []float64) { g.gains[0] = 20 }, nil},
		{"a short gain trace", "GainsDB has", checkGauge, nil,
			func(g *good) { g.gains = g.gains[1:] }},
		{"a gain as a ratio gone wild", "GainsDB[0]", checkGauge,
			func(g *good, b []float64) { g.gains[0] = 20 }, nil},
		{"a gain of nothing", "GainsDB[1]", checkGauge,
			func(g *good, b []float64) { g.gains[1] = math.Inf(-1) }, nil},
		{"a latency that is not true", "300 samples late, Latency says 299", checkLatency, nil,
			func(g *good) { g.late = 299 }},
		{"a state that never settles", "cold start is at", func(rate float64, make func() dsp.Processor) error {
			return checkSettle(rate, make, 1024)
		}, func(g *good, b []float64) {
			g.gains[0]++
			for i := range b {
				b[i] *= 1 + 1/g.gains[0]
			}
		}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := c.check(44100, func() dsp.Processor {
				g := newGood()
				g.broken = c.broken
				if c.prepare != nil {
					c.prepare(g)
				}
				return g
			})
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("the suite says %v, want %q", err, c.want)
			}
			if err := c.check(44100, func() dsp.Processor { return newGood() }); err != nil {
				t.Errorf("and of the good one: %v", err)
			}
		})
	}
}

func short(rate float64, make func() dsp.Processor) error { return checkSample(rate, make, 1) }

// A fader moves its gain from quantum to quantum and tells tells of it.
type fader struct {
	quantum int
	tells   float64
	gains   []float64
}

func (f *fader) Process(block []float64) {
	f.quantum++
	gain := -float64(f.quantum % 5)
	for i := range f.gains {
		f.gains[i] = f.tells * gain
	}
	for i := range block {
		block[i] *= kernel.FromDB(gain)
	}
}
func (f *fader) Latency() int       { return 0 }
func (f *fader) Reset()             { f.quantum = 0 }
func (f *fader) GainsDB() []float64 { return f.gains }

func TestGauge(t *testing.T) {
	for tells, want := range map[float64]string{1: "", 0.9: "it tells", 0: "it tells"} {
		err := checkTrueGauge(44100, &fader{tells: tells, gains: make([]float64, dsp.Quantum/8)})
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("a fader that tells %g of its gain: %v, want %q", tells, err, want)
		}
	}
	if err := checkTrueGauge(44100, &good{cascade: kernel.NewCascade(nil), out: make([]float64, dsp.Quantum+300), held: make([]float64, 300),
		late: 300, gains: make([]float64, dsp.Quantum/8)}); err == nil || !strings.Contains(err.Error(), "nothing is proven") {
		t.Errorf("a gain that does not move: %v", err)
	}
}

// The signals are golden: every stage digest hangs on them.
func TestSignals(t *testing.T) {
	for _, c := range []struct {
		name, got, want string
	}{
		{"Noise", Digest(Noise(1, 10_000)), "f650e3c7448f9ccdbbfe68ee144379c9"},
		{"Speechlike 44.1 kHz", Digest(Speechlike(1, 100_000, 44100)), "850b928c82bcb7246685c22d3cbd59c2"},
		{"Speechlike 96 kHz", Digest(Speechlike(1, 100_000, 96000)), "eb76d029875329b2cc9ff139c3f0596f"},
	} {
		if c.got != c.want {
			t.Errorf("%s has digest %s, want %s", c.name, c.got, c.want)
		}
	}
	x := Speechlike(2, 20*44100, 44100)
	var power, frames float64
	peak := 0.0
	for q := 0; q+441 <= len(x); q += 441 {
		var p float64
		for _, v := range x[q : q+441] {
			p += v * v / 441
			peak = max(peak, math.Abs(v))
		}
		if p > 1e-5 {
			power += p
			frames++
		}
	}
	if level := 10 * math.Log10(power/frames); level < -25 || level > -21 || peak > 0.9 {
		t.Errorf("Speechlike speaks at %.1f dBFS with peaks of %.2f, want about -23 and below 0.9", level, peak)
	}
	var sum, square float64
	for _, v := range Noise(4, 1_000_000) {
		sum += v / 1e6
		square += v * v / 1e6
	}
	if math.Abs(sum) > 0.003 || math.Abs(square-1./3) > 0.002 {
		t.Errorf("Noise has mean %.4f and power %.4f, want 0 and 1/3", sum, square)
	}
}

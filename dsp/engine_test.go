package dsp_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"chapterhouse/dsp"
)

// delay holds a signal back by n samples and says so; with a gain trace that
// numbers its control steps.
type delay struct {
	n     int
	held  []float64
	gains []float64
	calls int
}

func newDelay(n int) *delay {
	return &delay{n: n, held: make([]float64, n), gains: make([]float64, dsp.Quantum/8)}
}

func (d *delay) Process(block []float64) {
	all := append(append([]float64(nil), d.held...), block...)
	copy(block, all)
	copy(d.held, all[len(block):])
	for i := range d.gains {
		d.gains[i] = float64(d.calls*len(d.gains) + i)
	}
	d.calls++
}
func (d *delay) Latency() int       { return d.n }
func (d *delay) Reset()             { clear(d.held); d.calls = 0 }
func (d *delay) GainsDB() []float64 { return d.gains }

// grid adds the position inside the quantum: it shows where quanta lie.
type grid struct{ quanta int }

func (g *grid) Process(block []float64) {
	if len(block) != dsp.Quantum {
		panic(fmt.Sprintf("a block of %d frames", len(block)))
	}
	for i := range block {
		block[i] += float64(i)
	}
	g.quanta++
}
func (g *grid) Latency() int { return 0 }
func (g *grid) Reset()       { g.quanta = 0 }

func run(e *dsp.Engine, x []float64, cut func() int) []float64 {
	var y []float64
	emit := func(part []float64) { y = append(y, part...) }
	for len(x) > 0 {
		n := min(cut(), len(x))
		e.Write(x[:n], emit)
		x = x[n:]
	}
	e.Close(emit)
	return y
}

func TestEngineAlignsAndKeepsLength(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	for _, start := range []dsp.Frames{0, 1, 1000, 1023, 1024, 5_000_000_001, -1, -1500} {
		for _, length := range []int{0, 1, 1023, 1024, 1025, 5000} {
			for _, latencies := range [][]int{{}, {0}, {5}, {1024}, {700, 1500}, {3000}} {
				name := fmt.Sprintf("start %d, %d frames, latencies %v", start, length, latencies)
				x := make([]float64, length)
				for i := range x {
					x[i] = float64(i + 1)
				}
				procs := []dsp.Processor{}
				total := 0
				for _, n := range latencies {
					procs = append(procs, newDelay(n))
					total += n
				}
				e := dsp.NewEngine(start, procs...)
				if e.Latency() != total {
					t.Fatalf("%s: Latency %d", name, e.Latency())
				}
				y := run(e, x, func() int { return 1 + random.IntN(1500) })
				if len(y) != length {
					t.Fatalf("%s: %d frames came out", name, len(y))
				}
				for i := range y {
					if y[i] != x[i] {
						t.Fatalf("%s: frame %d is frame %g", name, i, y[i]-1)
					}
				}
			}
		}
	}
}

func TestEngineGridIsAbsolute(t *testing.T) {
	for _, start := range []dsp.Frames{0, 7, 1023, 1024, 70_000, -3} {
		y := run(dsp.NewEngine(start, &grid{}), make([]float64, 3000), func() int { return 333 })
		for i, v := range y {
			want := (int64(start) + int64(i)) % dsp.Quantum
			if want < 0 {
				want += dsp.Quantum
			}
			if v != float64(want) {
				t.Fatalf("start %d: frame %d is at %g of its quantum, want %d", start, i, v, want)
			}
		}
	}
}

func TestEngineGaugesCarryInputTime(t *testing.T) {
	const start, first, second = 1500, 100, 900
	e := dsp.NewEngine(start, newDelay(first), &grid{}, newDelay(second))
	next := map[int]dsp.Frames{0: 1024 - first, 2: 1024 - first - second}
	steps := map[int]float64{}
	e.OnQuantum(func(at dsp.Frames, stage int, gains []float64) {
		want, ok := next[stage]
		if !ok {
			t.Fatalf("stage %d has no gauge", stage)
		}
		if at != want || gains[0] != steps[stage] {
			t.Fatalf("stage %d: at %d from step %g, want %d from %g", stage, at, gains[0], want, steps[stage])
		}
		next[stage] += dsp.Quantum
		steps[stage] += float64(len(gains))
	})
	run(e, make([]float64, 10_000), func() int { return 4096 })
	if end := dsp.Frames(start + 10_000); next[2] < end {
		t.Errorf("the last stage's trace ends at %d, before the signal at %d", next[2], end)
	}
}

func TestEngineDoesNotAllocate(t *testing.T) {
	e := dsp.NewEngine(3, &grid{}, &grid{})
	e.OnQuantum(func(dsp.Frames, int, []float64) {})
	x, emitted := make([]float64, 1500), 0
	emit := func(y []float64) { emitted += len(y) }
	if n := testing.AllocsPerRun(100, func() { e.Write(x, emit) }); n != 0 {
		t.Errorf("%g allocations a write", n)
	}
	if emitted == 0 {
		t.Error("nothing came out")
	}
}

// placed adds the absolute frame of each sample that it is told of.
type placed struct{ at dsp.Frames }

func (p *placed) Place(at dsp.Frames) { p.at = at }
func (p *placed) Latency() int        { return 0 }
func (p *placed) Reset()              { p.at = 0 }
func (p *placed) Process(block []float64) {
	for i := range block {
		block[i] += float64(p.at) + float64(i)
	}
	p.at += dsp.Quantum
}

// A Placed processor knows where its part's samples are, whatever is late
// before or after it and wherever the signal begins.
func TestEnginePlacesProcessors(t *testing.T) {
	for _, start := range []dsp.Frames{0, 1, 1024, 5000} {
		e := dsp.NewEngine(start, newDelay(300), &placed{}, newDelay(900))
		y := run(e, make([]float64, 5000), func() int { return 700 })
		for i, v := range y {
			if want := float64(start) + float64(i); v != want {
				t.Fatalf("start %d: frame %d knows itself as %g, want %g", start, i, v, want)
			}
		}
	}
}

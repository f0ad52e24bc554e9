// Package dsptest is the conformance suite of dsp.Processor, and the signals
// and digests that tests of the sound share. It judges the contract only; what
// a processor should sound like stands beside the processor.
package dsptest

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"chapterhouse/dsp"
)

// Exercise holds a processor to its contract: any cut of the input gives the
// same samples, Reset equals new, no allocation, no NaN or Inf, nothing kept
// or written beyond the block, sane gain traces, and a true Latency. make
// returns a new processor each time, at settings that leave speech near what
// it was, so that its delay can be measured. Don't call it in a parallel test:
// allocations are counted.
func Exercise(t *testing.T, rateHz float64, make func() dsp.Processor) {
	t.Helper()
	ExerciseExceptLatency(t, rateHz, make)
	report(t, "latency", checkLatency(rateHz, make))
}

// ExerciseExceptLatency is Exercise for settings that turn the phase of speech
// on purpose, such as a steep low-pass, where the delay of the sound is not
// the latency of the processor.
func ExerciseExceptLatency(t *testing.T, rateHz float64, make func() dsp.Processor) {
	t.Helper()
	report(t, "splits", checkSplits(rateHz, make))
	report(t, "reset", checkReset(rateHz, make))
	report(t, "allocations", checkAllocations(rateHz, make))
	report(t, "finite", checkFinite(rateHz, make))
	report(t, "argument", checkArgument(rateHz, make))
	report(t, "gauge", checkGauge(rateHz, make))
}

func report(t *testing.T, check string, err error) {
	t.Helper()
	if err != nil {
		t.Errorf("%s: %v", check, err)
	}
}

// run sends a signal that begins at an absolute frame through an engine, cut
// into blocks of one size.
func run(p dsp.Processor, start dsp.Frames, x []float64, size int) []float64 {
	y := make([]float64, 0, len(x))
	emit := func(part []float64) { y = append(y, part...) }
	e := dsp.NewEngine(start, p)
	for len(x) > 0 {
		n := min(size, len(x))
		e.Write(x[:n], emit)
		x = x[n:]
	}
	e.Close(emit)
	return y
}

// differ is the first place where two signals have other bits.
func differ(got, want []float64) error {
	if len(got) != len(want) {
		return fmt.Errorf("%d samples, want %d", len(got), len(want))
	}
	for i := range got {
		if math.Float64bits(got[i]) != math.Float64bits(want[i]) {
			return fmt.Errorf("sample %d is %g, want %g", i, got[i], want[i])
		}
	}
	return nil
}

func checkSplits(rateHz float64, make func() dsp.Processor) error {
	const start, n = 12_345, 30_000
	x := Speechlike(1, n, rateHz)
	want := run(make(), start, x, n)
	if len(want) != n {
		return fmt.Errorf("%d frames in, %d out", n, len(want))
	}
	for _, size := range []int{1, 7, 64, 1023, 1024, 1025, 4096} {
		if err := differ(run(make(), start, x, size), want); err != nil {
			return fmt.Errorf("in blocks of %d: %w", size, err)
		}
	}
	return nil
}

func checkReset(rateHz float64, make func() dsp.Processor) error {
	x, other := Speechlike(2, 50_000, rateHz), Noise(3, 30_000)
	want := run(make(), 0, x, len(x))
	p := make()
	latency := p.Latency()
	run(p, 0, other, len(other))
	p.Reset()
	if p.Latency() != latency {
		return fmt.Errorf("latency is %d after Reset, it was %d", p.Latency(), latency)
	}
	if err := differ(run(p, 0, x, len(x)), want); err != nil {
		return fmt.Errorf("after Reset: %w", err)
	}
	return nil
}

func checkAllocations(rateHz float64, makeProcessor func() dsp.Processor) error {
	p, x, block := makeProcessor(), Speechlike(4, 64*dsp.Quantum, rateHz), make([]float64, dsp.Quantum)
	at := 0
	quantum := func() {
		copy(block, x[at:])
		at = (at + dsp.Quantum) % len(x)
		p.Process(block)
		if g, ok := p.(dsp.Gauge); ok {
			g.GainsDB()
		}
	}
	if n := testing.AllocsPerRun(63, quantum); n != 0 {
		return fmt.Errorf("a quantum of Process allocates %g times", n)
	}
	return nil
}

// checkFinite drives one processor through every nasty input in turn, without
// a Reset in between, so that what one leaves behind meets the next.
func checkFinite(rateHz float64, makeProcessor func() dsp.Processor) error {
	p, block := makeProcessor(), make([]float64, dsp.Quantum)
	speech := Speechlike(5, 40*dsp.Quantum, rateHz)
	for _, in := range []struct {
		name   string
		sample func(i int) float64
	}{
		{"silence", func(int) float64 { return 0 }},
		{"an impulse", func(i int) float64 { return map[bool]float64{true: 1}[i == 100] }},
		{"a square of ±1", func(i int) float64 { return float64(1 - i/50%2*2) }},
		{"full-scale noise", func(i int) float64 { return random(6, uint64(i)) }},
		{"denormals", func(i int) float64 { return math.SmallestNonzeroFloat64 * float64(i%7-3) }},
		{"negative zeros", func(int) float64 { return math.Copysign(0, -1) }},
		{"DC", func(int) float64 { return 1 }},
		{"negative DC", func(int) float64 { return -1 }},
		{"half the rate", func(i int) float64 { return float64(1 - i%2*2) }},
		{"speech", func(i int) float64 { return speech[i] }},
		{"silence after speech", func(int) float64 { return 0 }},
	} {
		for q := range 40 {
			for i := range block {
				block[i] = in.sample(q*dsp.Quantum + i)
			}
			p.Process(block)
			for i, v := range block {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					return fmt.Errorf("%s gives %g at sample %d", in.name, v, q*dsp.Quantum+i)
				}
			}
		}
	}
	return nil
}

// checkArgument overwrites every block after its call, and watches the
// samples behind it.
func checkArgument(rateHz float64, makeProcessor func() dsp.Processor) error {
	const guard = 64
	kept, clean := makeProcessor(), makeProcessor()
	x := Speechlike(7, 40*dsp.Quantum, rateHz)
	room := make([]float64, dsp.Quantum+guard)
	for q := range 40 {
		fresh := append([]float64(nil), x[q*dsp.Quantum:(q+1)*dsp.Quantum]...)
		for i := range room {
			room[i] = math.Pi
		}
		copy(room, fresh)
		kept.Process(room[:dsp.Quantum])
		clean.Process(fresh)
		for _, v := range room[dsp.Quantum:] {
			if v != math.Pi {
				return errors.New("a call of Process writes beyond the end of its block")
			}
		}
		if err := differ(room[:dsp.Quantum], fresh); err != nil {
			return fmt.Errorf("a call of Process keeps its argument: quantum %d differs when the caller uses it again: %w", q, err)
		}
		for i := range room {
			room[i] = math.NaN()
		}
	}
	return nil
}

// largestLiftDB is more than any stage lifts speech; a gauge above it counts
// something else, or in other units.
const largestLiftDB = 12

func checkGauge(rateHz float64, makeProcessor func() dsp.Processor) error {
	p := makeProcessor()
	g, ok := p.(dsp.Gauge)
	if !ok {
		return nil
	}
	want := dsp.Quantum / dsp.ControlStep(rateHz)
	block := make([]float64, dsp.Quantum)
	x := append(Speechlike(8, 100*dsp.Quantum, rateHz), Noise(9, 20*dsp.Quantum)...)
	x = append(x, make([]float64, 20*dsp.Quantum)...)
	for q := 0; q < len(x); q += dsp.Quantum {
		copy(block, x[q:])
		p.Process(block)
		gains := g.GainsDB()
		if len(gains) != want {
			return fmt.Errorf("GainsDB has %d values, want %d", len(gains), want)
		}
		for i, v := range gains {
			if math.IsNaN(v) || math.IsInf(v, 0) || v > largestLiftDB {
				return fmt.Errorf("GainsDB[%d] is %g in the quantum at %d, want a finite value of at most %d", i, v, q, largestLiftDB)
			}
		}
	}
	return nil
}

package dsp

// An Engine runs a chain of processors over a signal that comes in blocks of
// any length. Processors see whole quanta on the absolute sample grid only;
// what comes out is aligned with what went in and exactly as long, and does
// not depend on how the input was cut. Memory is constant.
type Engine struct {
	procs []Processor
	late  []Frames // [k]: the latency up to and including processor k
	watch func(at Frames, stage int, gainsDB []float64)

	quantum []float64
	at      Frames // absolute frame of quantum[0]
	filled  int
	skip    int    // frames still to drop in front: padding and latency
	in, out Frames // frames taken and given
}

// NewEngine makes an engine for a signal whose first frame has the absolute
// index start. The quantum that start lies in is padded with zeros in front.
func NewEngine(start Frames, procs ...Processor) *Engine {
	pad := int(((start % Quantum) + Quantum) % Quantum)
	e := &Engine{
		procs:   procs,
		quantum: make([]float64, Quantum),
		at:      start - Frames(pad),
		filled:  pad,
		skip:    pad,
	}
	for _, p := range procs {
		if placed, ok := p.(Placed); ok {
			placed.Place(e.at - Frames(e.skip-pad))
		}
		e.skip += p.Latency()
		e.late = append(e.late, Frames(e.skip-pad))
	}
	return e
}

// OnQuantum calls watch for every processor that is a Gauge, after each
// quantum. gainsDB is one gain per ControlStep samples, valid during the call;
// at is the input frame that the first of them acts on, with the latencies
// undone. The first quanta can lie before the signal's start, the last beyond
// its end.
func (e *Engine) OnQuantum(watch func(at Frames, stage int, gainsDB []float64)) { e.watch = watch }

// Latency is the sum of the processors' latencies, which the engine undoes.
func (e *Engine) Latency() int {
	if len(e.late) == 0 {
		return 0
	}
	return int(e.late[len(e.late)-1])
}

// Write takes the next frames of the signal, any number, and leaves x alone.
// emit gets the next frames of the result, none or more times; its argument is
// valid during the call.
func (e *Engine) Write(x []float64, emit func(y []float64)) {
	e.in += Frames(len(x))
	for len(x) > 0 {
		n := copy(e.quantum[e.filled:], x)
		x = x[n:]
		if e.filled += n; e.filled == Quantum {
			e.run(emit)
		}
	}
}

// Close gives what is still held back, so that the result is as long as the
// input. The engine is at its end then.
func (e *Engine) Close(emit func(y []float64)) {
	for e.out < e.in {
		clear(e.quantum[e.filled:])
		e.run(emit)
	}
}

// Whole gives the whole result of a whole signal: Write and Close at once.
func (e *Engine) Whole(x []float64) []float64 {
	y := make([]float64, 0, len(x))
	emit := func(part []float64) { y = append(y, part...) }
	e.Write(x, emit)
	e.Close(emit)
	return y
}

// run processes the full quantum and emits the part of it that is wanted.
func (e *Engine) run(emit func(y []float64)) {
	for k, p := range e.procs {
		p.Process(e.quantum)
		if g, ok := p.(Gauge); ok && e.watch != nil {
			e.watch(e.at-e.late[k], k, g.GainsDB())
		}
	}
	drop := min(e.skip, Quantum)
	e.skip -= drop
	y := e.quantum[drop:]
	y = y[:min(len(y), int(e.in-e.out))]
	e.out += Frames(len(y))
	e.at += Quantum
	e.filled = 0
	if len(y) > 0 {
		emit(y)
	}
}

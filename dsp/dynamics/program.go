package dynamics

import (
	"math"

	"chapterhouse/dsp"
)

const (
	// programMS is how far back a program release looks, and the longest time
	// that it takes. It is a window rather than a time constant, so that
	// nothing is left of what was before.
	programMS = 3500.0
	// programReleaseMS is the longest release, and attack, of the first stage.
	programReleaseMS = 250
)

// A program is the second stage of a program release: the mean of a gain in dB
// over the last 3.5 s, in which a moment weighs less in a straight line the
// longer it is ago. The gain's mean over each quantum is kept; within a quantum
// the result runs straight.
type program struct {
	means   []float64 // of the last quanta, a ring
	weights []float64 // by age in quanta, all together 1
	next    int
	lastDB  float64
}

func newProgram(rateHz float64) *program {
	n := int(math.Ceil(programMS / 1000 * rateHz / dsp.Quantum))
	p := &program{means: make([]float64, n), weights: make([]float64, n)}
	for age := range p.weights {
		p.weights[age] = float64(2*(n-age)) / float64(n*(n+1))
	}
	return p
}

// lower makes the gains of a quantum no higher than their weighed mean.
func (p *program) lower(gainsDB []float64) {
	sum := 0.0
	for _, g := range gainsDB {
		sum += g
	}
	p.means[p.next] = sum / float64(len(gainsDB))
	// The ring in two stretches, the latest first.
	meanDB, age := 0.0, 0
	for i := p.next; i >= 0; i-- {
		meanDB += float64(p.weights[age] * p.means[i])
		age++
	}
	for i := len(p.means) - 1; i > p.next; i-- {
		meanDB += float64(p.weights[age] * p.means[i])
		age++
	}
	p.next = (p.next + 1) % len(p.means)
	step := (meanDB - p.lastDB) / float64(len(gainsDB))
	for i, g := range gainsDB {
		if at := p.lastDB + float64(step*float64(i+1)); at < g {
			gainsDB[i] = at
		}
	}
	p.lastDB = meanDB
}

func (p *program) reset() {
	clear(p.means)
	p.next, p.lastDB = 0, 0
}

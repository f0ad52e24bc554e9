package simulation

import (
	"math/rand/v2"
	"time"
)

// leaseTime is the broker's; a holder relies on less of it, as a real one does.
const (
	leaseTime  = 60 * time.Second
	holderTime = 50 * time.Second
)

// shape is what a seed chose for a night as a whole.
type shape struct {
	coordinators, workers int
	looks                 int
	engines               int           // that the workers have between them
	quiet                 time.Duration // when all trouble ends
	fault                 float64       // share of calls that fail in some way
	death                 float64       // share of calls that a process dies at
	slow                  float64       // share of calls that take long
	deaf                  float64       // share of news that is lost
	fail                  float64       // share of tries that fail by their own fault
	maxTries              int           // hand-outs of a ring
	scan, silence         time.Duration // of coordinators
	outages               []outage
	clock                 time.Duration // how far all clocks are off
}

// levels are how bad a thing is in a night: in many it is not there at all, so
// that others can be seen by themselves.
func level(r *rand.Rand, most float64) float64 {
	return most * []float64{0, 0, 0.1, 0.4, 1}[r.IntN(5)]
}

func newShape(r *rand.Rand) shape {
	return shape{
		coordinators: 2 + r.IntN(2), workers: 2 + r.IntN(3), looks: 1 + r.IntN(4), engines: 1 + r.IntN(5)/4,
		quiet: between(r, 3*time.Minute, 12*time.Minute),
		fault: level(r, 0.10), death: level(r, 0.004), slow: level(r, 0.01), deaf: level(r, 0.5), fail: level(r, 0.3),
		maxTries: []int{3, 5, 20}[r.IntN(3)], scan: between(r, 10*time.Second, 40*time.Second), silence: between(r, 8*time.Minute, 15*time.Minute),
	}
}

// smallShape is a night in which nothing goes wrong by chance.
func smallShape() shape {
	return shape{coordinators: 1, workers: 1, looks: 1, engines: 1, maxTries: 20, scan: 10 * time.Second, silence: 10 * time.Minute, quiet: time.Second}
}

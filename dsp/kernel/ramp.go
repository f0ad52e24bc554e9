package kernel

// A Ramp multiplies a signal by a gain that is given once every step samples
// and runs in a straight line between: the last sample of a step has that
// step's gain, and before the first stands the gain at rest.
type Ramp struct {
	rest, last float64
	part       []float64 // k/step for the k-th sample
}

// NewRamp makes a Ramp with so many samples a step, a multiple of 4, that
// starts from the gain rest.
func NewRamp(step int, rest float64) *Ramp {
	r := &Ramp{rest: rest, last: rest, part: make([]float64, step)}
	for k := range r.part {
		r.part[k] = float64(k+1) / float64(step)
	}
	return r
}

// Process multiplies x by gains; len(x) = step·len(gains). A gain that stays 1
// leaves the bits of x alone.
func (r *Ramp) Process(x, gains []float64) {
	if vectors && len(gains) > 0 {
		step := len(r.part)
		ramps4(&x[:step*len(gains)][0], &gains[0], len(gains), &r.part[0], step/4, r.last)
		r.last = gains[len(gains)-1]
		return
	}
	r.loop(x, gains)
}

// loop is Process in Go.
func (r *Ramp) loop(x, gains []float64) {
	step := len(r.part)
	last := r.last
	for i, g := range gains {
		s := x[i*step : (i+1)*step]
		if d := g - last; d != 0 || g != 1 {
			part := r.part[:len(s)]
			for k := range s { // of a gain that stays too: -0 becomes 0
				s[k] *= last + float64(d*part[k])
			}
		}
		last = g
	}
	r.last = last
}

// Reset goes back to the gain at rest.
func (r *Ramp) Reset() { r.last = r.rest }

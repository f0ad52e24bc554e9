package kernel

// A net runs up to eight sections in series at once, one a lane of vector
// registers. Each section works two samples behind the one before it, so that
// what it needs is ready. The sections fill the last lanes, and the first of
// them takes the signal in. The bits are those of one section after the other.
//
// At a block's start sections run ahead one by one until each is two samples
// ahead of the next, and at its end they are brought level again, so that
// between blocks the history is that of Cascade.
type net struct {
	b0, b1, b2, a1, a2 [8]float64 // lanes without a section are 0
	in1, in2           [8]float64 // the last and the last but one input
	out1, out2         [8]float64 // … and output
	next1, next2       [8]float64 // inputs of the step after next and of the next, which the lane before gave; see waits
	entry              [8]float64 // a sign bit where the signal comes in
}

// netLag is how many samples a section is behind the one before it.
const netLag = 2

// leastInNet is the number of sections from which a net is faster than a loop.
const leastInNet = 3

// shortestInNet is a block's length from which it is, and longer than all lags.
const shortestInNet = 64

func newNet(sections []Biquad) *net {
	n := &net{}
	first := 8 - len(sections)
	for k, q := range sections {
		l := first + k
		n.b0[l], n.b1[l], n.b2[l], n.a1[l], n.a2[l] = q.B0, q.B1, q.B2, q.A1, q.A2
	}
	n.entry[first] = -1
	return n
}

// process filters a block of shortestInNet samples or more. history is that of a
// group of len(sections).
func (n *net) process(block []float64, sections []Biquad, history [][2]float64) {
	last := len(sections) - 1
	first := 8 - len(sections)
	ahead := netLag*last + len(block)&1 // of the first section, so that what is left is even
	for k := range sections {
		lead := block[:ahead-netLag*k]
		h := run{history[k], history[k+1]}
		h.process(lead, &sections[k])
		l := first + k
		n.in1[l], n.in2[l] = h.x[0], h.x[1]
		n.out1[l], n.out2[l] = h.y[0], h.y[1]
		if k < last {
			n.next1[waits(l+1)], n.next2[waits(l+1)] = lead[len(lead)-1], lead[len(lead)-2]
		}
	}
	done := len(block) & 1
	pairs := (len(block) - ahead) / 2
	if len(sections) > 4 {
		steps8(&block[done], &block[ahead], pairs, n)
	} else {
		steps4(&block[done], &block[ahead], pairs, n)
	}
	for k := range sections {
		l := first + k
		h := run{[2]float64{n.in1[l], n.in2[l]}, [2]float64{n.out1[l], n.out2[l]}}
		if k > 0 {
			rest := block[len(block)-netLag*k:]
			rest[0], rest[1] = n.next2[waits(l)], n.next1[waits(l)]
			h.process(rest, &sections[k])
		}
		history[k], history[k+1] = h.x, h.y
	}
}

// waits is where in next what a lane takes in waits: outputs turn within four
// lanes, so that the last of the first four stands in lane 0.
func waits(lane int) int {
	if lane == 4 {
		return 0
	}
	return lane
}

// A run is the histories of one section.
type run struct{ x, y [2]float64 }

func (r *run) process(block []float64, q *Biquad) {
	x1, x2, y1, y2 := r.x[0], r.x[1], r.y[0], r.y[1]
	for i, x := range block {
		y := ((float64(q.B0*x) + float64(q.B1*x1)) + (float64(q.B2*x2) - float64(q.A2*y2))) - float64(q.A1*y1)
		x2, x1 = x1, x
		y2, y1 = y1, y
		block[i] = y
	}
	r.x, r.y = [2]float64{x1, x2}, [2]float64{y1, y2}
}

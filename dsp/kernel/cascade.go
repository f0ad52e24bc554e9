package kernel

// A Cascade runs second-order sections in series, in direct form 1. Up to four
// sections run in one loop, where the processor works on one while it waits
// for another; inside a group the output history of a section is the input
// history of the next. Where the processor has vectors, three to eight sections
// run in them instead.
//
// The sums have one fixed order, ((b0·x + b1·x1) + (b2·x2 - a2·y2)) - a1·y1,
// which keeps the recursion to one product and one subtraction. The bits do
// not depend on how sections are grouped into loops or cascades.
type Cascade struct{ groups []group }

// A group is one, two or four sections that run in one loop, or up to eight that
// run in a net.
type group struct {
	n       int
	section [8]Biquad
	history [9][2]float64 // [k]: the last and the last but one input of section k; [n]: the output's
	net     *net          // nil: a loop
}

// NewCascade makes a cascade at rest. No sections leave the signal alone.
func NewCascade(sections []Biquad) *Cascade { return newCascade(sections, vectors) }

func newCascade(sections []Biquad, vectors bool) *Cascade {
	c := &Cascade{}
	for len(sections) > 0 {
		g := group{n: 1}
		switch {
		case vectors && len(sections) >= leastInNet:
			g.n = min(8, len(sections))
			g.net = newNet(sections[:g.n])
		case len(sections) >= 4:
			g.n = 4
		case len(sections) >= 2:
			g.n = 2
		}
		copy(g.section[:], sections[:g.n])
		sections = sections[g.n:]
		c.groups = append(c.groups, g)
	}
	return c
}

// Reset puts the cascade at rest.
func (c *Cascade) Reset() {
	for i := range c.groups {
		clear(c.groups[i].history[:])
	}
}

// Process filters a quantum in place.
func (c *Cascade) Process(block []float64) {
	for i := range c.groups {
		g := &c.groups[i]
		switch {
		case g.net != nil && len(block) >= shortestInNet:
			g.net.process(block, g.section[:g.n], g.history[:g.n+1])
		case g.net != nil:
			in := g.history[0]
			for k := range g.n {
				h := run{in, g.history[k+1]}
				in = h.y // what the next one was given before this block
				h.process(block, &g.section[k])
				g.history[k], g.history[k+1] = h.x, h.y
			}
		case g.n == 4:
			g.process4(block)
		case g.n == 2:
			g.process2(block)
		default:
			g.process1(block)
		}
		for k := range g.history {
			flush(&g.history[k])
		}
	}
}

// tiny is far below anything audible (-600 dBFS) and far above the numbers
// that processors handle slowly.
const tiny = 1e-30

// flush ends what is left of a decay. It is called once a quantum, so that the
// samples do not depend on how the signal came in.
func flush(h *[2]float64) {
	for i, v := range h {
		if v < tiny && v > -tiny {
			h[i] = 0
		}
	}
}

func (g *group) process1(block []float64) {
	q, h := g.section[0], &g.history
	x1, x2 := h[0][0], h[0][1]
	y1, y2 := h[1][0], h[1][1]
	for i, x := range block {
		y := ((float64(q.B0*x) + float64(q.B1*x1)) + (float64(q.B2*x2) - float64(q.A2*y2))) - float64(q.A1*y1)
		x2, x1 = x1, x
		y2, y1 = y1, y
		block[i] = y
	}
	h[0], h[1] = [2]float64{x1, x2}, [2]float64{y1, y2}
}

func (g *group) process2(block []float64) {
	p, q, h := g.section[0], g.section[1], &g.history
	x1, x2 := h[0][0], h[0][1]
	u1, u2 := h[1][0], h[1][1]
	y1, y2 := h[2][0], h[2][1]
	for i, x := range block {
		u := ((float64(p.B0*x) + float64(p.B1*x1)) + (float64(p.B2*x2) - float64(p.A2*u2))) - float64(p.A1*u1)
		x2, x1 = x1, x
		y := ((float64(q.B0*u) + float64(q.B1*u1)) + (float64(q.B2*u2) - float64(q.A2*y2))) - float64(q.A1*y1)
		u2, u1 = u1, u
		y2, y1 = y1, y
		block[i] = y
	}
	h[0], h[1], h[2] = [2]float64{x1, x2}, [2]float64{u1, u2}, [2]float64{y1, y2}
}

func (g *group) process4(block []float64) {
	p, q, r, s, h := g.section[0], g.section[1], g.section[2], g.section[3], &g.history
	x1, x2 := h[0][0], h[0][1]
	u1, u2 := h[1][0], h[1][1]
	v1, v2 := h[2][0], h[2][1]
	w1, w2 := h[3][0], h[3][1]
	y1, y2 := h[4][0], h[4][1]
	for i, x := range block {
		u := ((float64(p.B0*x) + float64(p.B1*x1)) + (float64(p.B2*x2) - float64(p.A2*u2))) - float64(p.A1*u1)
		x2, x1 = x1, x
		v := ((float64(q.B0*u) + float64(q.B1*u1)) + (float64(q.B2*u2) - float64(q.A2*v2))) - float64(q.A1*v1)
		u2, u1 = u1, u
		w := ((float64(r.B0*v) + float64(r.B1*v1)) + (float64(r.B2*v2) - float64(r.A2*w2))) - float64(r.A1*w1)
		v2, v1 = v1, v
		y := ((float64(s.B0*w) + float64(s.B1*w1)) + (float64(s.B2*w2) - float64(s.A2*y2))) - float64(s.A1*y1)
		w2, w1 = w1, w
		y2, y1 = y1, y
		block[i] = y
	}
	h[0], h[1], h[2] = [2]float64{x1, x2}, [2]float64{u1, u2}, [2]float64{v1, v2}
	h[3], h[4] = [2]float64{w1, w2}, [2]float64{y1, y2}
}

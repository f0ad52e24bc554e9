package kernel

// A Split divides a signal in two at a crossover frequency: a Linkwitz-Riley
// low band of fourth order, and as the high band what the low band leaves of
// an all-pass. Both bands are in phase everywhere, and their sum is the
// all-pass: flat in level, turned in phase.
//
// The two low-pass sections and the all-pass share their poles, so that three
// sections do the work of four.
// Source: Linkwitz, "Active Crossover Networks for Noncoincident Drivers",
// JAES 24(1), 1976; the difference form follows from the identity
// all-pass = (low + high) for Butterworth halves.
type Split struct {
	low     Biquad
	history [4][2]float64 // last and last but one: input, first section, low band, all-pass
}

// NewSplit makes a split at rest from one Butterworth low-pass section of
// second order (Q = 1/√2) at the crossover frequency.
func NewSplit(butterworth Biquad) *Split { return &Split{low: butterworth} }

// Allpass is the section that the two bands sum to. A branch that does not
// pass through the split needs it, to stay in phase with those that do.
func (s *Split) Allpass() Biquad {
	return Biquad{B0: s.low.A2, B1: s.low.A1, B2: 1, A1: s.low.A1, A2: s.low.A2}
}

// Reset puts the split at rest.
func (s *Split) Reset() { clear(s.history[:]) }

// Process splits a quantum. low and high are as long as block; one of them may
// be block itself.
func (s *Split) Process(block, low, high []float64) {
	q, h := s.low, &s.history
	x1, x2 := h[0][0], h[0][1]
	u1, u2 := h[1][0], h[1][1]
	l1, l2 := h[2][0], h[2][1]
	p1, p2 := h[3][0], h[3][1]
	low, high = low[:len(block)], high[:len(block)]
	for i, x := range block {
		u := ((float64(q.B0*x) + float64(q.B1*x1)) + (float64(q.B2*x2) - float64(q.A2*u2))) - float64(q.A1*u1)
		l := ((float64(q.B0*u) + float64(q.B1*u1)) + (float64(q.B2*u2) - float64(q.A2*l2))) - float64(q.A1*l1)
		p := ((float64(q.A2*x) + float64(q.A1*x1)) + (x2 - float64(q.A2*p2))) - float64(q.A1*p1)
		x2, x1 = x1, x
		u2, u1 = u1, u
		l2, l1 = l1, l
		p2, p1 = p1, p
		low[i] = l
		high[i] = p - l
	}
	h[0], h[1], h[2], h[3] = [2]float64{x1, x2}, [2]float64{u1, u2}, [2]float64{l1, l2}, [2]float64{p1, p2}
	for k := range h {
		flush(&h[k])
	}
}

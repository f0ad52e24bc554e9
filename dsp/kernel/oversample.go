package kernel

import "math"

// Twice oversampling for curves: Double puts a sample between every two, Halve
// takes the lower half of the spectrum back. A polynomial of degree 3 makes
// nothing above 3/2 of the rate from what lies below half of it; at twice the
// rate that folds back to half the rate and above, where Halve stops it. More
// oversampling would change nothing.
//
// Both are linear-phase sincs under a Kaiser window, shape from J. F. Kaiser's
// formula (Oppenheim and Schafer, Discrete-Time Signal Processing, 3rd ed.,
// section 7.6).
const (
	doubleReach = 15   // samples on each side of a new one
	doubleBeta  = 8.96 // new samples are right to -83 dB up to 0.4 of the rate
	halveReach  = 40   // samples at twice the rate on each side
	halveBeta   = 7.86 // 80 dB from half the rate on
	halveCut    = 0.219
)

// DoubleDelay and HalveDelay are how many samples of the lower rate the two lie
// behind.
const (
	DoubleDelay = doubleReach
	HalveDelay  = halveReach / 2
)

// A Double doubles the rate.
type Double struct {
	taps [doubleReach]float64 // [k]: weighs the k-th sample before and after the gap
	past []float64            // 2·doubleReach samples, then room for a block
}

// NewDouble makes a Double for blocks of at most block samples, silence before.
func NewDouble(block int) *Double {
	d := &Double{past: make([]float64, 2*doubleReach+block)}
	var sum float64
	for k := range d.taps {
		t := float64(k) + 0.5
		d.taps[k] = float64(Sinc(t) * kaiser(doubleBeta, t/doubleReach))
		sum += 2 * d.taps[k]
	}
	for k := range d.taps {
		d.taps[k] /= sum // a constant passes unchanged
	}
	return d
}

// Process writes x, DoubleDelay samples late, with a new sample after each, to
// dst; len(dst) = 2·len(x).
func (d *Double) Process(dst, x []float64) {
	past := d.past[:2*doubleReach+len(x)]
	copy(past[2*doubleReach:], x)
	dst = dst[:2*len(x)]
	for i := range x {
		w := (*[2*doubleReach + 1]float64)(past[i:])
		var s0, s1, s2 float64
		for k := 0; k < doubleReach; k += 3 {
			s0 += float64(d.taps[k] * (w[doubleReach-k] + w[doubleReach+1+k]))
			s1 += float64(d.taps[k+1] * (w[doubleReach-1-k] + w[doubleReach+2+k]))
			s2 += float64(d.taps[k+2] * (w[doubleReach-2-k] + w[doubleReach+3+k]))
		}
		dst[2*i] = w[doubleReach]
		dst[2*i+1] = (s0 + s1) + s2
	}
	copy(past[:2*doubleReach], past[len(x):])
}

// Reset forgets the signal so far.
func (d *Double) Reset() { clear(d.past) }

// A Halve halves the rate: flat within 0.01 dB to 0.37 of the lower rate, and at
// least 80 dB down from half of it on.
type Halve struct {
	taps [halveReach + 1]float64 // [k]: weighs the samples k before and k after
	past []float64               // 2·halveReach samples, then room for a block
}

// NewHalve makes a Halve for blocks of at most block samples of the lower rate,
// silence before.
func NewHalve(block int) *Halve {
	h := &Halve{past: make([]float64, 2*halveReach+2*block)}
	var sum float64
	for k := range h.taps {
		t := float64(k)
		h.taps[k] = float64(Sinc(2*halveCut*t) * kaiser(halveBeta, t/(halveReach+1)))
		sum += h.taps[k]
		if k > 0 {
			sum += h.taps[k]
		}
	}
	for k := range h.taps {
		h.taps[k] /= sum
	}
	return h
}

// Process writes every second sample of filtered x, HalveDelay samples of the
// lower rate late, to dst; len(x) = 2·len(dst).
func (h *Halve) Process(dst, x []float64) {
	past := h.past[:2*halveReach+len(x)]
	copy(past[2*halveReach:], x)
	for i := range dst {
		w := (*[2*halveReach + 1]float64)(past[2*i:])
		s0 := float64(h.taps[0] * w[halveReach])
		var s1, s2, s3 float64
		for k := 1; k <= halveReach; k += 4 {
			s0 += float64(h.taps[k] * (w[halveReach-k] + w[halveReach+k]))
			s1 += float64(h.taps[k+1] * (w[halveReach-1-k] + w[halveReach+1+k]))
			s2 += float64(h.taps[k+2] * (w[halveReach-2-k] + w[halveReach+2+k]))
			s3 += float64(h.taps[k+3] * (w[halveReach-3-k] + w[halveReach+3+k]))
		}
		dst[i] = (s0 + s1) + (s2 + s3)
	}
	copy(past[:2*halveReach], past[len(x):])
}

// Reset forgets the signal so far.
func (h *Halve) Reset() { clear(h.past) }

// kaiser is the Kaiser window at u from its middle, 0 to 1.
func kaiser(beta, u float64) float64 {
	return BesselI0(beta*math.Sqrt(1-float64(u*u))) / BesselI0(beta)
}

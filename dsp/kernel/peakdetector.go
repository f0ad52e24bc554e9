package kernel

import "math"

// A PeakDetector is the detector of a limiter: the peak of each control step, as
// an Interpolator finds it. Where a step comes near the ceiling and has treble
// that an Interpolator reads low, above 0.40 of the rate, 48 samples are weighed
// instead of 16, and their peak counts if it is more than 0.05 dB higher: what
// has no such treble keeps its bits. Tones up to 0.47 of the rate then read low
// by 0.15 dB at most.
type PeakDetector struct {
	interp *Interpolator
	far    [4][2 * farReach]float64 // phases 1 to 4; 5 to 7 are 3 to 1 backwards
	step   int
	buf    []float64
}

const (
	farReach = 24
	farBeta  = 4.5
	// A limiter's gain hangs on what is over the ceiling: nothing below this share
	// of it reads low by so much.
	farNear = 0.8
	// The eighth difference, 1 at half the rate, against the peak: less treble
	// changes a peak by less than 0.05 dB.
	farTreble = 0.03
	farMore   = 1.0058 // 0.05 dB
)

// DetectorDelay is how many samples a PeakDetector's steps lie behind its input.
const DetectorDelay = farReach

// NewPeakDetector returns a detector for control steps of step samples (a
// multiple of 8) and blocks of at most maxBlock samples.
func NewPeakDetector(step, maxBlock int) *PeakDetector {
	d := &PeakDetector{interp: NewInterpolator(), step: step, buf: make([]float64, 2*farReach+maxBlock)}
	for i := range d.far {
		var total float64
		for k := range d.far[i] {
			t := float64(8*(k-farReach+1)-(i+1)) / 8
			d.far[i][k] = float64(Sinc(t) * kaiser(farBeta, math.Min(1, math.Abs(t)/farReach)))
			total += d.far[i][k]
		}
		for k := range d.far[i] {
			d.far[i][k] /= total
		}
	}
	return d
}

// Process sets dst[j] to the peak of the step samples that start DetectorDelay
// before block[j·step]. len(block) is len(dst)·step. Steps that provably stay at
// or below ceiling are not interpolated.
func (d *PeakDetector) Process(dst, block []float64, ceiling float64) {
	x := d.buf[:2*farReach+len(block)]
	copy(x[2*farReach:], block)
	d.interp.SubMax(dst, x[farReach-reach:len(x)-(farReach-reach)], d.step, ceiling)
	for j, peak := range dst {
		if peak < farNear*ceiling {
			continue
		}
		for at := j * d.step; at < (j+1)*d.step; at += reach {
			w := (*[2*farReach + reach]float64)(x[at:])
			if !treble(w[farReach-reach:farReach+2*reach], farTreble*peak) {
				continue
			}
			if far := d.points(w); far > farMore*peak {
				dst[j] = larger(dst[j], far)
			}
		}
	}
	copy(x[:2*farReach], x[len(block):])
}

// treble tells whether the eighth difference of 24 samples, over 2^8, goes
// beyond a limit.
func treble(x []float64, limit float64) bool {
	w := *(*[3 * reach]float64)(x)
	for n := len(w) - 1; n >= 2*reach; n-- {
		for i := range n {
			w[i] = w[i+1] - w[i]
		}
	}
	most := 0.0
	for _, v := range w[:2*reach] {
		most = larger(most, math.Abs(v))
	}
	return most > limit*256
}

// points is the largest magnitude between the 8 samples in the middle of w and
// those after each, by the longer sums.
func (d *PeakDetector) points(w *[2*farReach + reach]float64) float64 {
	peak := 0.0
	for i := range reach {
		v := (*[2 * farReach]float64)(w[i+1:])
		for p := range d.far {
			c := &d.far[p]
			var ahead, back float64
			for k := range c {
				ahead += float64(c[k] * v[k])
				back += float64(c[k] * v[len(v)-1-k])
			}
			peak = larger(peak, larger(math.Abs(ahead), math.Abs(back)))
		}
	}
	return peak
}

// Reset forgets the signal so far.
func (d *PeakDetector) Reset() { clear(d.buf) }

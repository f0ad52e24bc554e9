package room

import (
	"fmt"
	"math"
	"math/bits"
	"slices"

	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/spectrum"
)

const (
	toneWindowS = 0.75 // of a spectrum: about 2 Hz
	toneTopHz   = 12000.0

	// What is a line, not a resonance that noise excites: it holds its level from
	// window to window, where noise in a narrow band has a relative variance of 1.
	lineFlicker = 0.45
	lineRatio   = 2.2  // over the median around, in power
	lineReachHz = 8.0  // that the median is taken of
	lineWideHz  = 4.5  // taken out to either side
	hissLowHz   = 4000 // where a room at rest has nothing but the preamp's hiss, or hardly more
	hissOverDB  = 6.0  // of the course over hiss: what lies under it can't be told
)

// Tone finds the resonances of a room in its tone, the noise that passes through
// it while nobody speaks. It averages power spectra over Hann windows of about
// 0.75 s, half over each other (P. D. Welch 1967), and keeps their variance, by
// which fans and mains are told from noise: a line's power stands still, that of
// noise in one bin varies as much as its mean. Lines are bridged; what is left
// is a Course. Memory is constant.
type Tone struct {
	rateHz  int
	fft     *spectrum.FFT
	window  []float64
	held    []float64
	product []float64
	bins    []complex128
	sum     []float64 // of powers, by bin
	squares []float64 // of their squares
	count   int
}

// NewTone listens at a rate from 8 to 96 kHz; it panics at others that have no
// window.
func NewTone(rateHz int) *Tone {
	size := 1 << (bits.Len(uint(1.3*toneWindowS*float64(rateHz))) - 1)
	fft, err := spectrum.NewFFT(size)
	if err != nil {
		panic(fmt.Sprintf("room: tone at %d Hz: %v", rateHz, err))
	}
	return &Tone{
		rateHz: rateHz, fft: fft, window: spectrum.Hann(size), held: make([]float64, 0, size), product: make([]float64, size),
		bins: make([]complex128, size/2+1), sum: make([]float64, size/2+1), squares: make([]float64, size/2+1),
	}
}

// Write takes the next samples of room tone.
func (t *Tone) Write(x []float64) {
	n := t.fft.Size()
	for len(x) > 0 {
		taken := min(n-len(t.held), len(x))
		t.held = append(t.held, x[:taken]...)
		x = x[taken:]
		if len(t.held) == n {
			t.add()
			copy(t.held, t.held[n/2:])
			t.held = t.held[:n/2]
		}
	}
}

func (t *Tone) add() {
	for i, v := range t.held {
		t.product[i] = v * t.window[i]
	}
	t.fft.Forward(t.bins, t.product)
	for k, v := range t.bins {
		p := float64(real(v)*real(v)) + float64(imag(v)*imag(v))
		t.sum[k] += p
		t.squares[k] += float64(p * p)
	}
	t.count++
}

// Break ends a stretch: no window holds samples from both sides of it.
func (t *Tone) Break() { t.held = t.held[:0] }

// Seconds is how much was heard in whole windows, two of them sharing a half.
func (t *Tone) Seconds() float64 {
	return float64(t.count) * 0.5 * float64(t.fft.Size()) / float64(t.rateHz)
}

// Course is the level of the tone over frequency, without its lines; nil: nothing
// was heard.
func (t *Tone) Course() Course {
	if t.count == 0 {
		return nil
	}
	width := float64(t.rateHz) / float64(t.fft.Size())
	power := t.bridged(width)
	c := make(Course, courseSize)
	for i := range c {
		hz := CourseHz(i)
		// A triangle as wide, half way down, as a resonance of Q 55.
		half := max(hz/courseQ, float64(1.5*width))
		c[i] = kernel.PowerDB(triangle(power, width, hz, half))
	}
	return c
}

// triangle is the mean of bins of a width around a frequency, by a triangle that
// reaches half to either side.
func triangle(power []float64, width, hz, half float64) float64 {
	sum, weights := 0.0, 0.0
	for k := max(1, int(math.Ceil((hz-half)/width))); k < len(power) && float64(float64(k)*width) < hz+half; k++ {
		w := 1 - math.Abs(float64(float64(k)*width)-hz)/half
		sum += float64(w * power[k])
		weights += w
	}
	return sum / weights
}

// bridged is the mean power of bins as far as a course reaches, with lines
// replaced by the mean of what is beside them.
func (t *Tone) bridged(width float64) []float64 {
	n := min(len(t.sum), int(1.2*CourseHz(courseSize)/width))
	mean := make([]float64, n)
	for k := range mean {
		mean[k] = t.sum[k] / float64(t.count)
	}
	out := slices.Clone(mean)
	if t.count < 4 {
		return out
	}
	reach, wide := int(lineReachHz/width), max(2, int(lineWideHz/2/width))
	sorting := make([]float64, 0, 2*reach+1)
	for k := reach; k < n-reach; k++ {
		flicker := t.squares[k]/float64(t.count)/float64(mean[k]*mean[k]) - 1
		if flicker > lineFlicker || mean[k] < mean[k-1] || mean[k] < mean[k+1] {
			continue
		}
		sorting = append(sorting[:0], mean[k-reach:k+reach+1]...)
		slices.Sort(sorting)
		if mean[k] < float64(lineRatio*sorting[reach]) {
			continue
		}
		from, to := k-wide, k+wide
		side := func(at int) float64 { return (mean[at-1] + mean[at] + mean[at+1]) / 3 }
		low, high := side(from-1), side(to+1)
		for j := from; j <= to; j++ {
			share := float64(j-from+1) / float64(to-from+2)
			out[j] = min(out[j], low+float64(share*(high-low)))
		}
	}
	return out
}

// HissDB is the level that white hiss of the preamp has in the course: that of
// the quietest third octave from 4 to 12 kHz. What the course has no more than
// OverHissDB over it is not the room's.
func (t *Tone) HissDB() float64 {
	width := float64(t.rateHz) / float64(t.fft.Size())
	least := math.Inf(1)
	for hz := float64(hissLowHz); hz*1.26 <= min(toneTopHz, 0.45*float64(t.rateHz)); hz *= 1.26 {
		from, to := int(hz/width), int(hz*1.26/width)
		sum := 0.0
		for _, v := range t.sum[from:to] {
			sum += v
		}
		least = min(least, sum/float64(to-from))
	}
	return kernel.PowerDB(least / float64(max(1, t.count)))
}

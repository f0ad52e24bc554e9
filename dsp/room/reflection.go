package room

import (
	"math"
	"math/bits"
	"slices"

	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
)

const (
	echoWindowS = 0.09
	echoLowHz   = 500.0
	echoHighHz  = 7000.0
	echoLiftHz  = 1100.0 // that the spectrum's own course is taken over
	echoFromS   = 0.0010
	echoToS     = 0.0082
	echoStepS   = 0.00001
	echoRange   = 30.0 // dB under the loudest frame that one counts
	echoLeast   = 0.36 // of the direct sound
	echoOver    = 4.0  // times the middle of what all delays come to
	echoPhase   = 0.7  // of it that is a sum, not a shift
	echoDelays  = 721
)

// A Reflection is sound that comes a second time.
type Reflection struct {
	DelayS float64 // after the direct sound
	Gain   float64 // against it, as an amplitude
}

// Reflections are early ones: delays from 1 to 8 ms, at least −9 dB or so. The
// mean of the log spectra of all that is spoken has a ripple cos(2πf·delay) of the
// height 20·log10(e)·gain, the cepstral peak of B. P. Bogert, M. J. R. Healy and
// J. W. Tukey (The quefrency alanysis of time series for echoes, 1963); pitch
// makes another, which moves and averages out. From 500 Hz to 7 kHz, the course
// over 1.1 kHz taken off. A peak must stand 4 times over the middle of all delays.
func Reflections(x []float64, rateHz int, phrases []meter.Window) []Reflection {
	size := 1 << (bits.Len(uint(1.2*echoWindowS*float64(rateHz))) - 1)
	fft, err := spectrum.NewFFT(size)
	if err != nil {
		return nil // a rate that no file has
	}
	ripple, width := meanLog(x, fft, phrases, float64(rateHz))
	if ripple == nil {
		return nil
	}
	height := make([]float64, echoDelays)
	sum := make([]float64, echoDelays)
	first := int(echoLowHz / width)
	for d := range height {
		delay := echoFromS + float64(echoStepS*float64(d))
		turn := newPhasor(2*math.Pi*width*delay, 0)
		turn.re, turn.im = kernel.Cos(2*math.Pi*width*delay*float64(first)), kernel.Sin(2*math.Pi*width*delay*float64(first))
		var re, im, weights float64
		for i, v := range ripple {
			w := 0.5 - float64(0.5*kernel.Cos(2*math.Pi*(float64(i)+0.5)/float64(len(ripple))))
			re += float64(w * v * turn.re)
			im += float64(w * v * turn.im)
			weights += w
			turn.next()
		}
		// Twice the mean is the height of the ripple; in nepers it is the gain.
		sum[d] = 2 * re / weights * math.Ln10 / 20
		height[d] = 2 * math.Sqrt(float64(re*re)+float64(im*im)) / weights * math.Ln10 / 20
	}
	middle := slices.Sorted(slices.Values(height))[len(height)/2]
	var all []Reflection
	for d := 1; d < len(height)-1; d++ {
		v := height[d]
		if v <= height[d-1] || v < height[d+1] || v < echoLeast || v < float64(echoOver*middle) || sum[d] < float64(echoPhase*v) {
			continue
		}
		all = append(all, Reflection{DelayS: echoFromS + float64(echoStepS*float64(d)), Gain: min(1, v)})
	}
	slices.SortStableFunc(all, func(a, b Reflection) int {
		switch {
		case a.Gain > b.Gain:
			return -1
		case a.Gain < b.Gain:
			return 1
		}
		return 0
	})
	return all
}

// meanLog is the mean log spectrum in dB of what is spoken, less its course, from
// echoLowHz to echoHighHz, and the width of a bin; nil: too little was said.
func meanLog(x []float64, fft *spectrum.FFT, phrases []meter.Window, rate float64) (ripple []float64, width float64) {
	size := fft.Size()
	width = rate / float64(size)
	window := spectrum.Hann(size)
	product, bins := make([]float64, size), make([]complex128, size/2+1)
	loudest := 0.0
	type frame struct {
		power float64
		db    []float64
	}
	var frames []frame
	first, last := int(echoLowHz/width), int(min(echoHighHz, 0.45*rate)/width)
	for _, w := range phrases {
		for at := int(w.From); at+size <= min(len(x), int(w.To)); at += size / 2 {
			for i, v := range x[at : at+size] {
				product[i] = v * window[i]
			}
			fft.Forward(bins, product)
			f := frame{db: make([]float64, last-first)}
			for k := range f.db {
				b := bins[first+k]
				p := float64(real(b)*real(b)) + float64(imag(b)*imag(b))
				f.power += p
				f.db[k] = max(minLevel, kernel.PowerDB(p))
			}
			loudest = max(loudest, f.power)
			frames = append(frames, f)
		}
	}
	n := 0
	mean := make([]float64, last-first)
	for _, f := range frames {
		if f.power < loudest*kernel.FromPowerDB(-echoRange) {
			continue
		}
		n++
		for k, v := range f.db {
			mean[k] += v
		}
	}
	if n < 50 {
		return nil, width
	}
	half := int(echoLiftHz / 2 / width)
	ripple = make([]float64, len(mean))
	for k := range ripple {
		from, to := max(0, k-half), min(len(mean), k+half+1)
		sum := 0.0
		for _, v := range mean[from:to] {
			sum += v
		}
		ripple[k] = (mean[k] - sum/float64(to-from)) / float64(n)
	}
	return ripple, width
}

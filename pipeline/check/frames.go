package check

import (
	"math"

	"chapterhouse/dsp/spectrum"
)

// frames cuts what is heard into Hann-windowed blocks and hands each one's
// power spectrum on: 1 is a sine of full scale in the middle of a bin.
type frames struct {
	fft    *spectrum.FFT
	window []float64
	hop    int
	held   []float64 // the last samples, up to a block
	block  []float64
	bins   []complex128
	power  []float64
}

// emptyDB stands for no power at all, and for less than that.
const emptyDB = -160.0

// newFrames prepares blocks of n samples, a power of two, hop apart.
func newFrames(n, hop int) *frames {
	fft, err := spectrum.NewFFT(n)
	if err != nil {
		panic(err) // n is one of ours
	}
	return &frames{
		fft: fft, window: spectrum.Hann(n), hop: hop, held: make([]float64, 0, n),
		block: make([]float64, n), bins: make([]complex128, n/2+1), power: make([]float64, n/2+1),
	}
}

// hear takes samples and calls each for every block that they fill.
func (f *frames) hear(x []float64, each func(power []float64)) {
	n := len(f.block)
	scale := 16 / (float64(n) * float64(n)) // the sine comes to n/4 under this window
	for len(x) > 0 {
		m := min(n-len(f.held), len(x))
		f.held = append(f.held, x[:m]...)
		if x = x[m:]; len(f.held) < n {
			return
		}
		for i, v := range f.held {
			f.block[i] = v * f.window[i]
		}
		f.fft.Forward(f.bins, f.block)
		for k, c := range f.bins {
			re, im := real(c), imag(c)
			f.power[k] = (float64(re*re) + float64(im*im)) * scale
		}
		each(f.power)
		copy(f.held, f.held[f.hop:])
		f.held = f.held[:n-f.hop]
	}
}

// decibels is a power as a level, emptyDB at least.
func decibels(power float64) float64 { return max(emptyDB, 10*math.Log10(power)) }

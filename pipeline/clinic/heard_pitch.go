package clinic

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// pitch is how high a voice speaks, Hz; zero where it was not told.
type pitch struct {
	LowHz, MidHz, HighHz float64 // a tenth is lower, half, nine tenths
}

const (
	pitchFromHz, pitchToHz = 65.0, 400.0
	pitchWindowS           = 0.046
	pitchHopS              = 0.03
	pitchUnderDB           = 12.0 // under the voice: what is softer is hardly a vowel
	pitchClear             = 0.6  // of the correlation at no lag
	pitchFirst             = 0.9  // of the best peak: the first that comes so near is the period
	pitchLeast             = 40   // frames
)

// pitchOf follows the period of vowels by the autocorrelation of a windowed frame,
// divided by the window's own (Boersma, Proc. Institute of Phonetic Sciences 17,
// 1993). The first peak that comes near the best one is the period.
func pitchOf(r *Read, spans []pipeline.Span) pitch {
	n := sizeOf(pitchWindowS, r.RateHz)
	fft, err := spectrum.NewFFT(2 * n)
	if err != nil {
		return pitch{}
	}
	a := autocorrelation{fft: fft, x: make([]float64, 2*n), bins: make([]complex128, n+1)}
	window := spectrum.Hann(n)
	copy(a.x, window)
	own := append([]float64(nil), a.run()...)
	least := math.Pow(10, (float64(r.speech())-pitchUnderDB)/10)
	first, last := int(float64(r.RateHz)/pitchToHz), min(int(float64(r.RateHz)/pitchFromHz)+1, n-2)
	hop := dsp.FramesIn(pitchHopS, r.RateHz)
	var hz []float64
	for _, s := range spans {
		for at := s.From; at+dsp.Frames(n) <= s.To; at += hop {
			sum := 0.0
			clear(a.x)
			for i, v := range r.x[at : at+dsp.Frames(n)] {
				sum += v * v
				a.x[i] = v * window[i]
			}
			if sum/float64(n) < least {
				continue
			}
			c := a.run()
			for i := range last + 2 {
				c[i] /= own[i]
			}
			if lag := period(c, first, last); lag > 0 {
				hz = append(hz, float64(r.RateHz)/lag)
			}
		}
	}
	if len(hz) < pitchLeast {
		return pitch{}
	}
	return pitch{math.Round(quantile(hz, 0.1)), math.Round(quantile(hz, 0.5)), math.Round(quantile(hz, 0.9))}
}

// period is the lag of the first peak that comes near the best; 0: none is clear.
func period(c []float64, first, last int) float64 {
	best := 0.0
	for k := first; k <= last; k++ {
		best = max(best, c[k])
	}
	if best < pitchClear*c[0] {
		return 0
	}
	for k := first; k <= last; k++ {
		if c[k] >= pitchFirst*best && c[k] >= c[k-1] && c[k] > c[k+1] {
			curve := c[k-1] - 2*c[k] + c[k+1]
			return float64(k) + (c[k-1]-c[k+1])/(2*curve)
		}
	}
	return 0
}

// autocorrelation works on a frame with as many zeros behind it.
type autocorrelation struct {
	fft  *spectrum.FFT
	x    []float64
	bins []complex128
	out  []float64
}

func (a *autocorrelation) run() []float64 {
	n := len(a.x)
	a.fft.Forward(a.bins, a.x)
	for k, v := range a.bins {
		a.bins[k] = complex(real(v)*real(v)+imag(v)*imag(v), 0)
	}
	if a.out == nil {
		a.out = make([]float64, n)
	}
	a.fft.Inverse(a.out, a.bins)
	return a.out
}

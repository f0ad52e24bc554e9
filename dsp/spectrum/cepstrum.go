package spectrum

import (
	"fmt"
	"math"

	"chapterhouse/dsp/kernel"
)

// Cepstrum makes mel-frequency cepstral coefficients of power spectra (Davis and
// Mermelstein, IEEE Trans. ASSP 28(4), 1980): triangular filters of equal width
// in mel = 2595·log10(1 + Hz/700), the natural logarithm of each one's power, and
// the cosine transform of those. Constants and scale are those of the HTK Book
// (version 3.4, section 5.6), without its lifter.
type Cepstrum struct {
	from      []int // first bin of each filter
	weights   [][]float64
	transform [][]float64 // coefficient, filter; from decibels
	power     []float64
	db        []float64
}

// NewCepstrum prepares coefficients 1 to n from filters between two frequencies
// for spectra of size/2+1 bins. It panics when there is not a bin for each
// filter, n is not within 1..filters−1, or the range is not within half the rate.
func NewCepstrum(size, rateHz, filters, n int, lowHz, highHz float64) *Cepstrum {
	if n < 1 || n >= filters || lowHz < 0 || highHz <= lowHz || highHz > float64(rateHz)/2 {
		panic(fmt.Sprintf("spectrum: %d cepstral coefficients of %d filters from %g to %g Hz at %d Hz", n, filters, lowHz, highHz, rateHz))
	}
	c := &Cepstrum{power: make([]float64, filters), db: make([]float64, filters)}
	mel := func(hz float64) float64 { return float64(2595 * math.Log10(1+hz/700)) }
	low, high := mel(lowHz), mel(highHz)
	width := (high - low) / float64(filters+1)
	for f := range filters {
		middle := low + float64(width*float64(f+1))
		first, weights := 0, []float64(nil)
		for k := range size/2 + 1 {
			w := 1 - math.Abs(mel(float64(k)*float64(rateHz)/float64(size))-middle)/width
			if w <= 0 {
				continue
			}
			if weights == nil {
				first = k
			}
			weights = append(weights, w)
		}
		if weights == nil {
			panic(fmt.Sprintf("spectrum: filter %d of %d lies between two bins of %d at %d Hz", f, filters, size, rateHz))
		}
		c.from, c.weights = append(c.from, first), append(c.weights, weights)
	}
	neper := math.Ln10 / 10 // of power, in a decibel
	for k := 1; k <= n; k++ {
		scale := neper * math.Sqrt(2/float64(filters))
		row := make([]float64, filters)
		for f := range row {
			row[f] = scale * kernel.Cos(math.Pi*float64(k)*(float64(f)+0.5)/float64(filters))
		}
		c.transform = append(c.transform, row)
	}
	return c
}

// Of writes the coefficients of a power spectrum to dst. floor, a power, is added
// to that of each filter, so that what lies far below it does not count.
func (c *Cepstrum) Of(dst, power []float64, floor float64) {
	for f, weights := range c.weights {
		sum := floor
		for i, p := range power[c.from[f] : c.from[f]+len(weights)] {
			sum += float64(weights[i] * p)
		}
		c.power[f] = sum
	}
	kernel.PowersToDB(c.db, c.power)
	for k, row := range c.transform {
		sum := 0.0
		for f, w := range row {
			sum += float64(w * c.db[f])
		}
		dst[k] = sum
	}
}

package spectrum

import (
	"fmt"
	"math"

	"chapterhouse/dsp/kernel"
)

// Hann is the periodic Hann window of n samples, 0.5−0.5·cos(2πi/n), the one
// that belongs to spectra (F. J. Harris, Proc. IEEE 66(1), 1978). It panics
// when n is below 1.
func Hann(n int) []float64 {
	if n < 1 {
		panic(fmt.Sprintf("spectrum: a window of %d samples", n))
	}
	w := make([]float64, n)
	for i := range (n + 2) / 2 {
		v := 0.5 - float64(0.5*kernel.Cos(2*math.Pi*float64(i)/float64(n)))
		w[i] = v
		if i > 0 {
			w[n-i] = v
		}
	}
	return w
}

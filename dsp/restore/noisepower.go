package restore

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/spectrum"
)

// anyTone tells whether a room tone has power in any band.
func anyTone(tone []dsp.DBFS) bool {
	for _, l := range tone {
		if level := float64(l); !math.IsNaN(level) && !math.IsInf(level, 0) {
			return true
		}
	}
	return false
}

// subBins is how finely the power of noise is spread over a bin.
const subBins = 8

// noisePower is the mean of |X|² in each bin of a windowed transform of noise
// that has these levels in sixth octaves. A band holds its power evenly over
// its width; the lowest goes on down to 0 Hz, the highest up to half the rate.
// A bin gathers what its window lets through: where bands are narrower than a
// bin it gets a share of several.
func noisePower(tone []dsp.DBFS, window []float64, rateHz float64) []float64 {
	n := len(window)
	bins := n/2 + 1
	width := rateHz / float64(n) / subBins // of a sub-bin, Hz
	// fine[i] is the power from i to i+1 sub-bins.
	fine := make([]float64, (bins-1)*subBins)
	bands := spectrum.SixthOctaves()
	for i, b := range bands {
		level := float64(tone[i])
		if math.IsNaN(level) || math.IsInf(level, 0) {
			continue
		}
		density := kernel.FromPowerDB(level) / (b.Upper - b.Lower)
		lower, upper := b.Lower, b.Upper
		if i == 0 {
			lower = 0
		}
		if i == len(bands)-1 {
			upper = rateHz / 2
		}
		for k := int(lower / width); k < len(fine) && float64(k)*width < upper; k++ {
			from, to := math.Max(float64(k)*width, lower), math.Min(float64(k+1)*width, upper)
			if to > from {
				fine[k] += float64(density * (to - from))
			}
		}
	}
	leak := leakage(window)
	power := make([]float64, bins)
	for k := range power {
		for j, w := range leak {
			// Both sides of bin k; what lies below 0 Hz or above half the rate is
			// the mirror image.
			for _, at := range [2]int{k*subBins + j, k*subBins - 1 - j} {
				if at < 0 {
					at = -1 - at
				}
				if at >= len(fine) {
					at = 2*len(fine) - 1 - at
				}
				power[k] += float64(w * fine[at])
			}
		}
	}
	return power
}

// leakage is |W|²/2 of a window, (j + ½)/subBins bins from the middle, up to 4
// bins: what a real tone's mean square of 1 gives in a bin, from one of its two
// sides, is half of |W|².
func leakage(window []float64) []float64 {
	leak := make([]float64, 4*subBins)
	for j := range leak {
		turn := 2 * math.Pi * (float64(j) + 0.5) / subBins / float64(len(window))
		var re, im float64
		for i, w := range window {
			re += float64(w * kernel.Cos(turn*float64(i)))
			im += float64(w * kernel.Sin(turn*float64(i)))
		}
		leak[j] = (float64(re*re) + float64(im*im)) / 2
	}
	return leak
}

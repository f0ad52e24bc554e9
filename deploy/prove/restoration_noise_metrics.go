package main

import (
	"math"
	"slices"
)

// A noiseGrid is what residuals are judged on: frames of 1411 samples, 397
// apart, which no processor here uses.
func noiseGrid() *frameGrid { return newFrameGrid(1411, 397, 2048) }

// stillFrames tells which frames of a grid hold noise alone: in every third of
// an octave from 50 Hz to highHz, and in the three frames to either side too, the
// clean recording is 15 dB under what the noise has there on the whole.
func stillFrames(g *frameGrid, clean, noise []float64, highHz float64, rate int) []bool {
	var edges []int
	for hz := 50.0; hz < highHz*1.01; hz *= math.Cbrt(2) {
		edges = append(edges, binAt(hz, rate, 2048))
	}
	edges = slices.Compact(edges)
	bins := make([]float64, edges[len(edges)-1])
	inBands := func(x []float64, frame int, add []float64) {
		g.power(x, frame, bins)
		for b := range add {
			for _, p := range bins[edges[b]:edges[b+1]] {
				add[b] += p
			}
		}
	}
	frames := g.frames(len(clean))
	usual := make([]float64, len(edges)-1)
	for i := range frames {
		inBands(noise, i, usual)
	}
	quiet := make([]bool, frames)
	for i := range quiet {
		spoken := make([]float64, len(usual))
		inBands(clean, i, spoken)
		quiet[i] = true
		for b, p := range spoken {
			quiet[i] = quiet[i] && p*float64(frames) < usual[b]*math.Pow(10, -1.5)
		}
	}
	still := make([]bool, frames)
	for i := range still {
		still[i] = !slices.Contains(quiet[max(0, i-3):min(frames, i+4)], false)
	}
	return still
}

// A residue is the statistics of noise: of its power spectrogram, each bin as a
// multiple of that bin's own mean, so that noise need not be white.
type residue struct {
	kurtosis float64 // E(P⁴)/E(P²)²; 6 for Gaussian noise (Uemura et al. 2008)
	outliers float64 // share that is more than 10 dB over the mean
	db       float64 // mean square of the frames
	frames   int
}

// residueOf measures the frames of x that hold noise alone, from 50 Hz to
// highHz.
func residueOf(g *frameGrid, x []float64, still []bool, highHz float64, rate int) residue {
	from, to := binAt(50, rate, 2048), binAt(highHz, rate, 2048)
	mean, power := make([]float64, to), make([]float64, to)
	r := residue{}
	energy := 0.0
	for i, s := range still {
		if !s {
			continue
		}
		r.frames++
		energy += g.energy(x, i)
		g.power(x, i, power)
		for k, p := range power {
			mean[k] += p
		}
	}
	for k := range mean {
		mean[k] = mean[k]/float64(r.frames) + 1e-300
	}
	var second, fourth, over, n float64
	for i, s := range still {
		if !s {
			continue
		}
		g.power(x, i, power)
		for k := from; k < to; k++ {
			p := power[k] / mean[k]
			second += p * p
			fourth += p * p * p * p
			if p > 10 {
				over++
			}
			n++
		}
	}
	r.kurtosis = fourth / n / (second / n * second / n)
	r.outliers = over / n
	r.db = 10 * math.Log10(energy/float64(r.frames))
	return r
}

// logKurtosisRatio is the natural logarithm of how much more kurtosis the power
// spectrogram of b has than that of a: 0 where the noise only got softer, 1 and
// more where tones tinkle in it (Uemura et al. 2008).
func logKurtosisRatio(a, b residue) float64 { return math.Log(b.kurtosis / a.kurtosis) }

// onsets are where words begin after a rest: 5 ms are within 25 dB of the level
// of speech, and 60 ms before were not.
func onsets(clean []float64, speechPower float64, rate int) []int {
	size, rest := rate/200, 12
	var found []int
	quiet := rest
	for i := 0; (i+1)*size <= len(clean); i++ {
		loud := power(clean[i*size:(i+1)*size]) > speechPower*math.Pow(10, -2.5)
		if loud && quiet >= rest && (i+8)*size <= len(clean) {
			found = append(found, i*size)
		}
		quiet++
		if loud {
			quiet = 0
		}
	}
	return found
}

// onsetLoss is by how many dB the clean recording is lower in out than in x
// over the first 30 ms of words: the mean, and what a tenth exceed. How high it
// is in a signal is told by the signal's projection on it, to which noise adds
// nothing but chance.
func onsetLoss(clean, x, out []float64, at []int, rate int) (mean, tenth float64) {
	var losses []float64
	for _, from := range at {
		to := from + rate*3/100
		if to > len(clean) {
			continue
		}
		before, after := dot(clean[from:to], x[from:to]), dot(clean[from:to], out[from:to])
		loss := 20 * math.Log10(max(before, 1e-30)/max(after, 1e-30))
		losses = append(losses, max(-12, min(12, loss)))
		mean += losses[len(losses)-1]
	}
	if len(losses) == 0 {
		return math.NaN(), math.NaN()
	}
	slices.Sort(losses)
	return mean / float64(len(losses)), losses[len(losses)*9/10]
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i, v := range a {
		sum += v * b[i]
	}
	return sum
}

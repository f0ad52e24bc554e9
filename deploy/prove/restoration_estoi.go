package main

import "math"

const (
	estoiHz    = 10000
	estoiFrame = 256
	estoiHop   = 128
	estoiFFT   = 512
	estoiBands = 15
	estoiLowHz = 150.0 // centre of the lowest third octave
	estoiSpan  = 30    // frames in a segment: 384 ms
)

// estoi is the extended short-time objective intelligibility of x against the
// clean recording, 1 for what is like it (Jensen and Taal 2016, "An algorithm
// for predicting the intelligibility of speech masked by modulated noise
// maskers", section II). At least 0.4 s of speech are needed.
func estoi(clean, x []float64, rate int) float64 {
	clean, x = withoutSilence(resampled(clean, rate), resampled(x, rate))
	a, b := thirdOctaveFrames(clean), thirdOctaveFrames(x)
	sum, segments := 0.0, 0
	for at := 0; at+estoiSpan <= len(a); at++ {
		p, q := normalized(a[at:at+estoiSpan]), normalized(b[at:at+estoiSpan])
		for n := range p {
			for j := range p[n] {
				sum += p[n][j] * q[n][j] / estoiSpan
			}
		}
		segments++
	}
	return sum / float64(segments)
}

// withoutSilence leaves the frames out, of both, in which the clean one is silent.
func withoutSilence(clean, x []float64) (a, b []float64) {
	g := newFrameGrid(estoiFrame, estoiHop, 1)
	kept := 0
	for i, active := range g.active(clean) {
		if !active {
			continue
		}
		at := kept * estoiHop
		a, b = append(a, make([]float64, at+estoiFrame-len(a))...), append(b, make([]float64, at+estoiFrame-len(b))...)
		for k, w := range g.window {
			a[at+k] += w * clean[i*estoiHop+k]
			b[at+k] += w * x[i*estoiHop+k]
		}
		kept++
	}
	return a, b
}

type estoiColumn [estoiBands]float64

// thirdOctaveFrames are amplitudes in third octaves, frame by frame.
func thirdOctaveFrames(x []float64) []estoiColumn {
	g := newFrameGrid(estoiFrame, estoiHop, estoiFFT)
	bins := make([]float64, estoiFFT/2+1)
	out := make([]estoiColumn, g.frames(len(x)))
	for i := range out {
		g.power(x, i, bins)
		for j := range estoiBands {
			low := binAt(estoiLowHz*math.Pow(2, float64(2*j-1)/6), estoiHz, estoiFFT)
			high := binAt(estoiLowHz*math.Pow(2, float64(2*j+1)/6), estoiHz, estoiFFT)
			sum := 0.0
			for _, p := range bins[low:high] {
				sum += p
			}
			out[i][j] = math.Sqrt(sum)
		}
	}
	return out
}

// normalized brings a segment's bands over time, then its frames over bands, to
// mean 0 and length 1.
func normalized(segment []estoiColumn) []estoiColumn {
	out := append([]estoiColumn(nil), segment...)
	for j := range estoiBands {
		mean, square := 0.0, 0.0
		for n := range out {
			mean += out[n][j] / estoiSpan
		}
		for n := range out {
			out[n][j] -= mean
			square += out[n][j] * out[n][j]
		}
		for n := range out {
			out[n][j] /= math.Sqrt(square) + 1e-30
		}
	}
	for n := range out {
		mean, square := 0.0, 0.0
		for _, v := range out[n] {
			mean += v / estoiBands
		}
		for j := range out[n] {
			out[n][j] -= mean
			square += out[n][j] * out[n][j]
		}
		for j := range out[n] {
			out[n][j] /= math.Sqrt(square) + 1e-30
		}
	}
	return out
}

// resampled brings a recording to estoiHz: a sinc under a Hann window, 32
// periods long, that passes 0.93 of the band.
func resampled(x []float64, rate int) []float64 {
	if rate == estoiHz {
		return x
	}
	cut := 0.965 * estoiHz / float64(rate) // of half the rate
	half := int(16 / cut)
	out := make([]float64, len(x)*estoiHz/rate)
	taps := map[int][]float64{} // by phase
	for n := range out {
		at, phase := n*rate/estoiHz, n*rate%estoiHz
		w := taps[phase]
		if w == nil {
			for k := -half + 1; k <= half; k++ {
				t := float64(k) - float64(phase)/estoiHz
				sinc := cut
				if t != 0 {
					sinc = math.Sin(math.Pi*cut*t) / (math.Pi * t)
				}
				w = append(w, sinc*(0.5+0.5*math.Cos(math.Pi*t/float64(half+1))))
			}
			taps[phase] = w
		}
		for k, c := range w {
			if i := at + k - half + 1; i >= 0 && i < len(x) {
				out[n] += c * x[i]
			}
		}
	}
	return out
}

package main

import (
	"math"
	"slices"

	"chapterhouse/dsp/meter"
	"chapterhouse/testdata/voices/speech"
)

const spokenSize = 8192 // samples of a spectrum

// thirdsHz are the middles of third octaves from 100 Hz to 8 kHz (IEC 61260-1,
// base 10).
func thirdsHz() []float64 { return thirdsFrom(-10, 9) }

// lowThirdsHz are those from 80 to 160 Hz.
func lowThirdsHz() []float64 { return thirdsFrom(-11, -8) }

// thirdsFrom are middles so many third octaves from 1 kHz.
func thirdsFrom(first, last int) (all []float64) {
	for x := first; x <= last; x++ {
		all = append(all, 1000*math.Pow(10, float64(x)/10))
	}
	return all
}

// spokenThirds are the third octaves of x while sentences are spoken, dB.
func spokenThirds(x []float64, marks []speech.Mark) []float64 {
	return inThirds(spokenBins(x, marks), thirdsHz())
}

// spokenBins is the power spectrum of x while sentences are spoken.
func spokenBins(x []float64, marks []speech.Mark) []float64 {
	g := newFrameGrid(spokenSize, spokenSize/2, spokenSize)
	sum, bins := make([]float64, spokenSize/2), make([]float64, spokenSize/2)
	for _, m := range marks {
		if m.Kind != "sentence" && m.Kind != "shout" && m.Kind != "whisper" || m.To > int64(len(x)) {
			continue
		}
		part := x[m.From:m.To]
		for i := range g.frames(len(part)) {
			g.power(part, i, bins)
			for k, p := range bins {
				sum[k] += p
			}
		}
	}
	return sum
}

// inThirds sums such bins, each with its share of the bands that it touches.
func inThirds(bins []float64, middles []float64) (db []float64) {
	const perBin = float64(draftHz) / spokenSize
	for _, hz := range middles {
		from, to := hz*math.Pow(10, -0.05)/perBin, hz*math.Pow(10, 0.05)/perBin
		sum := 0.0
		for k, p := range bins {
			sum += p * max(0, min(float64(k)+0.5, to)-max(float64(k)-0.5, from))
		}
		db = append(db, 10*math.Log10(sum+1e-30))
	}
	return db
}

// A colour is the difference of two voices at one speech level, in third octaves.
type colour struct {
	all, narrow, broad []float64 // NaN where there is nothing to hear of the clean voice
}

// colourOf is what got has beside want; voice decides which bands there are.
func colourOf(got, want, voice []float64, gotLevel, wantLevel float64) (c colour) {
	n := len(voice)
	c.all, c.narrow, c.broad = make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range voice {
		c.all[i] = math.NaN()
		if voice[i] > slices.Max(voice)-thirdsUnderDB {
			c.all[i] = got[i] - gotLevel - want[i] + wantLevel
		}
	}
	for i := range c.all {
		sum, k := 0.0, 0.0
		for _, v := range c.all[max(0, i-1):min(n, i+2)] { // an octave: a third on either side
			if !math.IsNaN(v) {
				sum, k = sum+v, k+1
			}
		}
		c.broad[i] = sum/k + 0*c.all[i]
		c.narrow[i] = c.all[i] - sum/k
	}
	return c
}

// rmsOf leaves out what is NaN.
func rmsOf(db []float64) float64 {
	sum, n := 0.0, 0.0
	for _, v := range db {
		if !math.IsNaN(v) {
			sum, n = sum+v*v, n+1
		}
	}
	return math.Sqrt(sum / n)
}

// p56 is the active speech level of x.
func p56(x []float64) float64 {
	m := meter.New(draftHz, 1)
	m.Write(x)
	return float64(m.Levels().Speech)
}

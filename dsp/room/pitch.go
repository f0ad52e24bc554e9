package room

import (
	"math"

	"chapterhouse/dsp/kernel"
)

// What a voice is heard by.
const (
	lowestPitchHz  = 60.0
	highestPitchHz = 400.0
	pitchWindowS   = 0.032
	pitchHopS      = 0.01
	pitchAlike     = 0.7  // of two periods, as a correlation
	pitchFirst     = 0.92 // of the best correlation: a shorter period that is as good is the period
	voiceLeastHz   = 2600 // of the rate that is kept
	lowPassSteps   = 6    // of the low rate, to either side of a sample's filter
)

// lowered is sound brought down to some 2.8 kHz by a Hann-windowed sinc, and that
// rate. What lies over about 1 kHz is lost.
func lowered(x []float64, rateHz int) ([]float64, float64) {
	step := 1
	for rateHz/(2*step) >= voiceLeastHz {
		step *= 2
	}
	if step == 1 {
		return x, float64(rateHz)
	}
	half := lowPassSteps * step
	taps := make([]float64, 2*half+1)
	sum := 0.0
	for i := range taps {
		at := float64(i-half) / float64(step)
		tap := float64(kernel.Sinc(0.84*at) * (0.5 + float64(0.5*kernel.Cos(math.Pi*float64(i-half)/float64(half+1)))))
		taps[i] = tap
		sum += tap
	}
	for i := range taps {
		taps[i] /= sum
	}
	y := make([]float64, len(x)/step)
	for i := range y {
		from := i*step - half
		v := 0.0
		for k, tap := range taps {
			if j := from + k; j >= 0 && j < len(x) {
				v += float64(tap * x[j])
			}
		}
		y[i] = v
	}
	return y, float64(rateHz) / float64(step)
}

// pitchAt is the pitch around a sample by the correlation of two stretches a
// period apart (normalized cross-correlation: D. Talkin, in Speech Coding and
// Synthesis, 1995); 0: there is none.
func pitchAt(x []float64, at int, rate float64) float64 {
	n := int(pitchWindowS * rate)
	short, long := int(rate/highestPitchHz), int(rate/lowestPitchHz)+1
	from := at - (n+long)/2
	if from < 0 || from+n+long+1 > len(x) {
		return 0
	}
	var own float64
	for _, v := range x[from : from+n] {
		own += float64(v * v)
	}
	if own == 0 {
		return 0
	}
	like := make([]float64, long+2)
	best := 0.0
	for lag := short - 1; lag <= long+1 && from+lag+n <= len(x); lag++ {
		var cross, other float64
		for i := range n {
			v := x[from+lag+i]
			cross += float64(x[from+i] * v)
			other += float64(v * v)
		}
		if other > 0 {
			like[lag] = cross / math.Sqrt(float64(own*other))
		}
		if lag >= short && lag <= long {
			best = max(best, like[lag])
		}
	}
	if best < pitchAlike {
		return 0
	}
	for lag := short; lag <= long; lag++ {
		a, b, c := like[lag-1], like[lag], like[lag+1]
		if b < a || b < c {
			continue
		}
		// The peak of a parabola through three points.
		off, top := 0.0, b
		if bend := a + c - float64(2*b); bend < 0 {
			off = 0.5 * (a - c) / bend
			top -= float64(0.25 * (a - c) * off)
		}
		if top < float64(pitchFirst*best) {
			continue
		}
		return rate / (float64(lag) + off)
	}
	return 0
}

package plant

import (
	"math"
	"sort"

	"chapterhouse/testdata/voices/exact"
)

// A section is a filter of second order after the Audio EQ Cookbook (W3C note).
type section struct{ b0, b1, b2, a1, a2 float64 }

func angle(hz, q, rateHz float64) (cos, alpha float64) {
	w := float64(2*math.Pi) * hz / rateHz
	return exact.Cos(w), exact.Sin(w) / (2 * q)
}

func made(b0, b1, b2, a0, a1, a2 float64) section {
	return section{b0 / a0, b1 / a0, b2 / a0, a1 / a0, a2 / a0}
}

func lowpass(hz, q, rateHz float64) section {
	c, alpha := angle(hz, q, rateHz)
	return made((1-c)/2, 1-c, (1-c)/2, 1+alpha, -2*c, 1-alpha)
}

func highpass(hz, q, rateHz float64) section {
	c, alpha := angle(hz, q, rateHz)
	return made((1+c)/2, -1-c, (1+c)/2, 1+alpha, -2*c, 1-alpha)
}

// bell lifts what is about hz by db.
func bell(hz, q, db, rateHz float64) section {
	c, alpha := angle(hz, q, rateHz)
	a := exact.Amplitude(db / 2)
	return made(1+float64(alpha*a), -2*c, 1-float64(alpha*a), 1+alpha/a, -2*c, 1-alpha/a)
}

// shelf lifts what is above hz by db.
func shelf(hz, db, rateHz float64) section {
	c, alpha := angle(hz, math.Sqrt2/2, rateHz)
	a := exact.Amplitude(db / 2)
	k := 2 * float64(math.Sqrt(a)*alpha)
	up, down := a+1, a-1
	return made(a*(up+float64(down*c)+k), -2*a*(down+float64(up*c)), a*(up+float64(down*c)-k),
		up-float64(down*c)+k, 2*(down-float64(up*c)), up-float64(down*c)-k)
}

func (s section) run(x []float64) {
	var u, v float64 // transposed direct form II
	for i, in := range x {
		y := float64(s.b0*in) + u
		u = float64(s.b1*in) - float64(s.a1*y) + v
		v = float64(s.b2*in) - float64(s.a2*y)
		x[i] = y
	}
}

// gainDB is the filter's response at a frequency.
func (s section) gainDB(hz, rateHz float64) float64 {
	w := float64(2*math.Pi) * hz / rateHz
	c1, s1, c2, s2 := exact.Cos(w), exact.Sin(w), exact.Cos(2*w), exact.Sin(2*w)
	nr, ni := s.b0+float64(s.b1*c1)+float64(s.b2*c2), float64(s.b1*s1)+float64(s.b2*s2)
	dr, di := 1+float64(s.a1*c1)+float64(s.a2*c2), float64(s.a1*s1)+float64(s.a2*s2)
	return 10 * math.Log10((float64(nr*nr)+float64(ni*ni))/(float64(dr*dr)+float64(di*di)))
}

// Butterworth's quality factors, fourth order.
const q1, q2 = 0.5411961001461971, 1.3065629648763766

// settleS is what a filter is given to settle before what is measured.
const settleS = 0.05

// between is x[from:to] as it is between two frequencies, fourth order each.
func between(x []float64, from, to int, lowHz, highHz, rateHz float64) []float64 {
	start := max(0, from-int(float64(settleS*rateHz)))
	y := append([]float64(nil), x[start:to]...)
	for _, s := range []section{highpass(lowHz, q1, rateHz), highpass(lowHz, q2, rateHz), lowpass(highHz, q1, rateHz), lowpass(highHz, q2, rateHz)} {
		s.run(y)
	}
	return y[from-start:]
}

// below is x as it is under a frequency, fourth order.
func below(x []float64, hz, rateHz float64) []float64 {
	y := append([]float64(nil), x...)
	lowpass(hz, q1, rateHz).run(y)
	lowpass(hz, q2, rateHz).run(y)
	return y
}

// power is x's mean spectrum under a Hann window, in bins of rateHz/spectrumSize.
// A sum over bins is the mean square of what is in them.
func power(x []float64) []float64 {
	fft := exact.NewFFT(spectrumSize)
	re, im := make([]float64, spectrumSize), make([]float64, spectrumSize)
	sum := make([]float64, spectrumSize/2)
	n := 0
	for ; (n+2)*spectrumSize/2 <= len(x); n++ {
		clear(im)
		for i, v := range x[n*spectrumSize/2 : (n+2)*spectrumSize/2] {
			re[i] = v * (1 - exact.Cos(float64(2*math.Pi)*float64(i)/spectrumSize))
		}
		fft.Forward(re, im)
		for k := range sum {
			sum[k] += float64(re[k]*re[k]) + float64(im[k]*im[k])
		}
	}
	for k := range sum {
		sum[k] *= 2 / (1.5 * spectrumSize * spectrumSize * float64(max(1, n)))
	}
	return sum
}

const spectrumSize = 1 << 16

// thirdOctave is the RMS of a spectrum in the third octave about a frequency.
func thirdOctave(power []float64, hz, rateHz float64) float64 {
	sum := 0.0
	for k, p := range power {
		if at := float64(k) * rateHz / spectrumSize; at >= hz*0.8909 && at < hz*1.1225 {
			sum += p
		}
	}
	return math.Sqrt(sum)
}

func rms(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	sum := 0.0
	for _, v := range x {
		sum += float64(v * v)
	}
	return math.Sqrt(sum / float64(len(x)))
}

// percentile is that of values, which are sorted.
func percentile(values []float64, pct float64) float64 {
	sort.Float64s(values)
	return values[int(float64(pct/100*float64(len(values)-1)))]
}

func amplify(x []float64, gain float64) {
	for i := range x {
		x[i] *= gain
	}
}

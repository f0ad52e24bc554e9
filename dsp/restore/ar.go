package restore

import (
	"math"

	"chapterhouse/dsp/kernel"
)

// arOrder is the order of every autoregressive model: 23, so that the
// correlations of lag 0 to 23 fill loops of four. It holds the formants and the
// tilt of a voice; 31 found no more clicks.
const arOrder = 23

// An ar is an autoregressive model of a stretch of sound: each sample is a sum
// over the ones before it, and a residual that nothing before it tells,
//
//	e[n] = Σ a[k]·x[n-k],  k from 0 to arOrder,  a[0] = 1
//
// Source: Makhoul, "Linear Prediction: A Tutorial Review", Proc. IEEE 63(4),
// 1975: the autocorrelation method, solved by the Levinson-Durbin recursion.
type ar struct {
	a        [arOrder + 1]float64
	r        [arOrder + 1]float64 // autocorrelation of the windowed stretch
	window   []float64
	windowed []float64 // and arOrder zeros
}

// newAR makes models of stretches of n samples, under a Hann window.
func newAR(n int) *ar {
	m := &ar{window: make([]float64, n), windowed: make([]float64, n+arOrder)}
	for i := range m.window {
		m.window[i] = 0.5 - float64(0.5*kernel.Cos(2*math.Pi*(float64(i)+0.5)/float64(n)))
	}
	m.a[0] = 1
	return m
}

// fit makes the model of x, as long as the window. Of silence the residual is
// the sound itself.
func (m *ar) fit(x []float64) {
	w := m.windowed[:len(m.window)]
	for i, v := range x {
		w[i] = float64(v * m.window[i])
	}
	m.correlate()
	clear(m.a[1:])
	const leastPower = 1e-20 // a window of samples 200 dB under full scale
	if m.r[0] < leastPower {
		return
	}
	m.r[0] *= 1 + 1e-11 // white noise 110 dB down keeps the recursion stable
	m.durbin()
}

func (m *ar) correlate() {
	n := len(m.window)
	for lag := 0; lag <= arOrder; lag += 4 {
		var s0, s1, s2, s3 float64
		y := m.windowed[lag:]
		for i, v := range m.windowed[:n] {
			q := (*[4]float64)(y[i:])
			s0 += float64(v * q[0])
			s1 += float64(v * q[1])
			s2 += float64(v * q[2])
			s3 += float64(v * q[3])
		}
		m.r[lag], m.r[lag+1], m.r[lag+2], m.r[lag+3] = s0, s1, s2, s3
	}
}

// durbin solves for the coefficients.
func (m *ar) durbin() {
	a, r := &m.a, &m.r
	left := r[0]
	for k := 1; k <= arOrder; k++ {
		sum := r[k]
		for i := 1; i < k; i++ {
			sum += float64(a[i] * r[k-i])
		}
		reflect := -sum / left
		for i, j := 1, k-1; i <= j; i, j = i+1, j-1 {
			u, v := a[i], a[j]
			a[i] = u + float64(reflect*v)
			a[j] = v + float64(reflect*u)
		}
		a[k] = reflect
		left *= 1 - float64(reflect*reflect)
	}
}

// residual writes e for x[from:from+len(dst)]; from is at least arOrder.
func (m *ar) residual(dst, x []float64, from int) {
	a := &m.a
	for i := range dst {
		w := (*[arOrder + 1]float64)(x[from+i-arOrder:])
		var s0, s1, s2, s3 float64
		for k := 0; k <= arOrder; k += 4 {
			s0 += float64(a[k] * w[arOrder-k])
			s1 += float64(a[k+1] * w[arOrder-1-k])
			s2 += float64(a[k+2] * w[arOrder-2-k])
			s3 += float64(a[k+3] * w[arOrder-3-k])
		}
		dst[i] = (s0 + s1) + (s2 + s3)
	}
}

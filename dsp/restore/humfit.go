package restore

import (
	"math"

	"chapterhouse/dsp/kernel"
)

// How the hum is fitted.
const (
	humAheadS   = 2.0
	humBackS    = 4.0
	humStands   = 4.0  // times its variance
	humOverlap  = 1.5  // variance of a mean of cells half over each other, against apart
	humCourseHz = 0.01 // standard deviation of the course's error
	humWord     = 1e-3 // of the power of a pause to a word's, which isn't worth its sum
	humSteps    = 2    // of Gauss and Newton
)

// A humFit is the hum that fits the cells around now. A cell weighs
//
//	w[i] = u[i] / p[i]²
//
// p[i] being the power of its differences, so that pauses make the fit and words
// hardly count; u falls from now to none 4 s back and 2 s ahead.
//
// The course is known to about 0.01 Hz, of which the eighth harmonic has turned
// by a sixth of a circle in 2 s: what a pause tells is not yet true of the word
// after it. So the fundamental's error, θ radians a second, is fitted too. With
// cells at times t[i] from now, of mean t0 under their weights (which add up to 1),
//
//	a[k] = Σ w[i]·c[k,i]·exp(-j·k·θ·t[i])
//	θ   += Σ g[k]·k·Im(a[k]*·m[k])/v[k] / (Σ g[k]·k²·|a[k]|²·Σ w[i]·(t[i]-t0)²/v[k] + 1/(2s²))
//
// m[k] being a[k]'s sum with t[i]-t0 in it, v[k] the variance of a[k] and s the
// standard deviation of the course: a step of Gauss and Newton towards the most
// likely θ. All orders turn together, so the strong ones lead the weak.
type humFit struct {
	ahead, back int
	hopS        float64
	mostPower   []float64 // of |a|², by order

	cells   []cell    // back+ahead+1, the newest last
	weights []float64 // of cells; they add up to 1
	orders  []humOrder
}

// A cell is what was heard in a window.
type cell struct {
	harmonics []complex128
	power     float64
}

// A humOrder is what the cells say of one order.
type humOrder struct {
	mean, moment, squared complex128 // Σ w·c, Σ w·(t-t0)·c, Σ w²·c, of cells turned back
	power                 float64    // Σ w²·|c|²
}

func newHumFit(ahead int, hopS float64, mostPower []float64) *humFit {
	f := &humFit{ahead: ahead, back: int(humBackS / hopS), hopS: hopS, mostPower: mostPower}
	f.cells = make([]cell, f.back+f.ahead+1)
	for i := range f.cells {
		f.cells[i].harmonics = make([]complex128, len(mostPower))
	}
	f.weights = make([]float64, len(f.cells))
	f.orders = make([]humOrder, len(mostPower))
	return f
}

// next is the newest cell, to be filled; the oldest is gone.
func (f *humFit) next() *cell {
	oldest := f.cells[0]
	copy(f.cells, f.cells[1:])
	last := len(f.cells) - 1
	f.cells[last] = oldest
	return &f.cells[last]
}

func (f *humFit) reset() {
	for i := range f.cells {
		clear(f.cells[i].harmonics)
		f.cells[i].power = 0
	}
}

// solve sets to to the amplitudes at the cell that now is.
func (f *humFit) solve(to []complex128) {
	clear(to)
	if !f.weigh() {
		return
	}
	var t0, spread, squares float64
	for i, w := range f.weights {
		t0 += float64(w * f.time(i))
		squares += float64(w * w)
	}
	for i, w := range f.weights {
		d := f.time(i) - t0
		spread += float64(w * d * d)
	}
	const prior = 1 / (2 * (2 * math.Pi * humCourseHz) * (2 * math.Pi * humCourseHz))
	theta := 0.0
	for step := 0; ; step++ {
		f.sum(theta, t0)
		top, bottom := 0.0, prior
		for k := range f.orders {
			o := &f.orders[k]
			size, variance := o.sizes(squares)
			gain := f.gain(k, size, variance)
			to[k] = complex(gain*real(o.mean), gain*imag(o.mean))
			if gain > 0 && variance > 0 {
				order := float64(k + 1)
				turned := float64(real(o.mean)*imag(o.moment)) - float64(imag(o.mean)*real(o.moment))
				top += float64(gain*order*turned) / variance
				bottom += float64(gain*order*order*size*spread) / variance
			}
		}
		if step == humSteps {
			return
		}
		theta += (top - float64(prior*theta)) / bottom
	}
}

// sum fills the orders' sums with the cells turned back by theta, in radians a
// second.
func (f *humFit) sum(theta, t0 float64) {
	clear(f.orders)
	for i, w := range f.weights {
		if w == 0 {
			continue
		}
		t := f.time(i)
		re, im := kernel.Cos(theta*t), -kernel.Sin(theta*t)
		d := t - t0
		zRe, zIm := re, im
		for k, c := range f.cells[i].harmonics {
			wRe := float64(w * (float64(real(c)*zRe) - float64(imag(c)*zIm)))
			wIm := float64(w * (float64(real(c)*zIm) + float64(imag(c)*zRe)))
			zRe, zIm = float64(zRe*re)-float64(zIm*im), float64(zRe*im)+float64(zIm*re)
			o := &f.orders[k]
			o.mean += complex(wRe, wIm)
			o.moment += complex(float64(d*wRe), float64(d*wIm))
			o.squared += complex(float64(w*wRe), float64(w*wIm))
			o.power += float64(wRe*wRe) + float64(wIm*wIm)
		}
	}
}

// time is a cell's, in seconds from now.
func (f *humFit) time(i int) float64 { return float64(i-f.back) * f.hopS }

// sizes are the power of the mean and the variance that the cells' scatter tells.
func (o *humOrder) sizes(squares float64) (size, variance float64) {
	re, im := real(o.mean), imag(o.mean)
	size = float64(re*re) + float64(im*im)
	scatter := o.power - float64(2*(float64(re*real(o.squared))+float64(im*imag(o.squared)))) + float64(size*squares)
	return size, humOverlap * max(0, scatter)
}

// gain is how much of an order's mean is believed. The square leaves what stands
// out clearly as it is: a straight 1 - d would leave a tenth where d is a tenth.
func (f *humFit) gain(k int, size, variance float64) float64 {
	if !(size > 0) {
		return 0
	}
	doubt := float64(humStands*variance) / size
	gain := 1 - float64(doubt*doubt)
	if !(gain > 0) {
		return 0
	}
	if size > f.mostPower[k] {
		gain *= math.Sqrt(f.mostPower[k] / size)
	}
	return gain
}

// weigh sets how much each cell counts for, and tells whether any does.
func (f *humFit) weigh() bool {
	const leastPower = 1e-20 // digital silence holds no hum
	least := math.Inf(1)
	for _, c := range f.cells {
		if c.power > leastPower {
			least = min(least, c.power)
		}
	}
	sum := 0.0
	for i, c := range f.cells {
		f.weights[i] = 0
		if !(c.power > leastPower) {
			continue
		}
		near := 1 - float64(f.back-i)/float64(f.back+1)
		if i > f.back {
			near = 1 - float64(i-f.back)/float64(f.ahead+1)
		}
		r := least / c.power
		if r < humWord {
			continue
		}
		f.weights[i] = near * float64(r*r)
		sum += f.weights[i]
	}
	if !(sum > 0) {
		return false
	}
	for i := range f.weights {
		f.weights[i] /= sum
	}
	return true
}

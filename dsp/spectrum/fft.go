// Package spectrum turns sound into spectra: a real Fourier transform that
// gives the same bits everywhere, the averaged power spectrum of a long
// signal, and its levels in fractional-octave bands.
//
// It keeps no sound and judges nothing: what a level means is for its callers.
package spectrum

import (
	"fmt"
	"math"
	"math/bits"

	"chapterhouse/dsp/kernel"
)

// Smallest and largest size of an FFT.
const (
	MinSize = 4
	MaxSize = 1 << 16
)

// An FFT is the discrete Fourier transform of real blocks of one size. It has
// scratch memory of its own: use one for each goroutine.
//
// A block of n samples is transformed as n/2 complex ones by Stockham's
// self-sorting algorithm in steps of radix 4 (and one of radix 2 where n/2 is
// no power of 4): C. Van Loan, Computational Frameworks for the Fast Fourier
// Transform, SIAM 1992, sections 1.7 and 4.3.
type FFT struct {
	n        int
	cos, sin []float64 // of 2πk/n, k < n
	a, b     split     // n/2 complex values each
}

// split holds complex values as two slices.
type split struct{ re, im []float64 }

// NewFFT prepares transforms of n real samples, a power of two from MinSize to
// MaxSize.
func NewFFT(n int) (*FFT, error) {
	if n < MinSize || n > MaxSize || bits.OnesCount(uint(n)) != 1 {
		return nil, fmt.Errorf("spectrum: size %d is no power of two from %d to %d", n, MinSize, MaxSize)
	}
	f := &FFT{n: n}
	f.cos, f.sin = circle(n)
	f.a = split{make([]float64, n/2), make([]float64, n/2)}
	f.b = split{make([]float64, n/2), make([]float64, n/2)}
	return f, nil
}

// Size is the number of real samples in a block; a spectrum has Size()/2+1 bins.
func (f *FFT) Size() int { return f.n }

// Forward sets dst[k] to the sum over i of x[i]·exp(−2πj·i·k/n), for k from 0
// to n/2. It panics unless len(x) is n and len(dst) is n/2+1.
func (f *FFT) Forward(dst []complex128, x []float64) {
	f.check(len(x), len(dst))
	m := f.n / 2
	for i := range m {
		f.a.re[i], f.a.im[i] = x[2*i], x[2*i+1]
	}
	z := f.transform()

	dst[0] = complex(z.re[0]+z.im[0], 0)
	dst[m] = complex(z.re[0]-z.im[0], 0)
	for k := 1; k <= m-k; k++ {
		// e and o are the transforms of the even and the odd samples.
		eRe, eIm := float64(0.5*(z.re[k]+z.re[m-k])), float64(0.5*(z.im[k]-z.im[m-k]))
		oRe, oIm := 0.5*(z.im[k]+z.im[m-k]), 0.5*(z.re[m-k]-z.re[k])
		c, s := f.cos[k], f.sin[k]
		tRe := float64(oRe*c) + float64(oIm*s)
		tIm := float64(oIm*c) - float64(oRe*s)
		dst[k] = complex(eRe+tRe, eIm+tIm)
		dst[m-k] = complex(eRe-tRe, tIm-eIm)
	}
}

// Inverse undoes Forward: it sets dst to the real samples whose spectrum is x.
// The imaginary parts of x[0] and x[n/2] are taken as 0. It panics unless
// len(dst) is n and len(x) is n/2+1.
func (f *FFT) Inverse(dst []float64, x []complex128) {
	f.check(len(dst), len(x))
	m := f.n / 2
	// With re and im exchanged on both sides the forward transform is the
	// inverse one times m; the 0.5 of the split below goes into the scale.
	first, last := real(x[0]), real(x[m])
	f.a.im[0], f.a.re[0] = first+last, first-last
	for k := 1; k <= m-k; k++ {
		pRe, pIm := real(x[k]), imag(x[k])
		qRe, qIm := real(x[m-k]), imag(x[m-k])
		eRe, eIm := pRe+qRe, pIm-qIm
		dRe, dIm := pRe-qRe, pIm+qIm
		c, s := f.cos[k], f.sin[k]
		oRe := float64(dRe*c) - float64(dIm*s)
		oIm := float64(dIm*c) + float64(dRe*s)
		f.a.im[k], f.a.re[k] = eRe-oIm, eIm+oRe
		f.a.im[m-k], f.a.re[m-k] = eRe+oIm, oRe-eIm
	}
	z := f.transform()
	scale := 1 / float64(f.n) // a power of two: exact
	for i := range m {
		dst[2*i], dst[2*i+1] = z.im[i]*scale, z.re[i]*scale
	}
}

func (f *FFT) check(samples, bins int) {
	if samples != f.n || bins != f.n/2+1 {
		panic(fmt.Sprintf("spectrum: %d samples and %d bins given to an FFT of %d and %d", samples, bins, f.n, f.n/2+1))
	}
}

// transform takes the n/2 complex values in f.a to their transform, which it
// leaves in the one of the two buffers that it returns.
func (f *FFT) transform() split {
	x, y := f.a, f.b
	size, stride := f.n/2, 1
	if size >= 4 {
		f.first(x, y, size)
		x, y = y, x
		size, stride = size/4, 4
	}
	for ; size >= 4; size, stride = size/4, stride*4 {
		f.radix4(x, y, size, stride)
		x, y = y, x
	}
	if size == 2 {
		radix2(x, y, stride)
		x, y = y, x
	}
	return x
}

// first is radix4 with a stride of 1, where its inner loop has one turn.
func (f *FFT) first(x, y split, size int) {
	quarter := size / 4
	aRe, bRe, cRe, dRe := x.re[:quarter], x.re[quarter:][:quarter], x.re[2*quarter:][:quarter], x.re[3*quarter:][:quarter]
	aIm, bIm, cIm, dIm := x.im[:quarter], x.im[quarter:][:quarter], x.im[2*quarter:][:quarter], x.im[3*quarter:][:quarter]
	yRe, yIm := y.re[:4*quarter], y.im[:4*quarter]
	for p := range aRe {
		c1, s1 := f.cos[2*p], f.sin[2*p]
		c2, s2 := f.cos[4*p], f.sin[4*p]
		c3, s3 := f.cos[6*p], f.sin[6*p]
		outRe, outIm := yRe[4*p:][:4], yIm[4*p:][:4]

		acRe, acIm := aRe[p]+cRe[p], aIm[p]+cIm[p]
		bdRe, bdIm := bRe[p]+dRe[p], bIm[p]+dIm[p]
		outRe[0], outIm[0] = acRe+bdRe, acIm+bdIm
		eRe, eIm := acRe-bdRe, acIm-bdIm
		outRe[2] = float64(eRe*c2) + float64(eIm*s2)
		outIm[2] = float64(eIm*c2) - float64(eRe*s2)

		acRe, acIm = aRe[p]-cRe[p], aIm[p]-cIm[p]
		bdRe, bdIm = bRe[p]-dRe[p], bIm[p]-dIm[p]
		eRe, eIm = acRe+bdIm, acIm-bdRe
		outRe[1] = float64(eRe*c1) + float64(eIm*s1)
		outIm[1] = float64(eIm*c1) - float64(eRe*s1)
		eRe, eIm = acRe-bdIm, acIm+bdRe
		outRe[3] = float64(eRe*c3) + float64(eIm*s3)
		outIm[3] = float64(eIm*c3) - float64(eRe*s3)
	}
}

// radix4Slow is radix4 in Go.
func (f *FFT) radix4Slow(x, y split, size, stride int) {
	quarter, turn := size/4, f.n/size
	for p := range quarter {
		c1, s1 := f.cos[turn*p], f.sin[turn*p]
		c2, s2 := f.cos[2*turn*p], f.sin[2*turn*p]
		c3, s3 := f.cos[3*turn*p], f.sin[3*turn*p]
		in := func(v []float64, j int) []float64 { return v[stride*(p+j*quarter):][:stride] }
		out := func(v []float64, j int) []float64 { return v[stride*(4*p+j):][:stride] }
		aRe, bRe, cRe, dRe := in(x.re, 0), in(x.re, 1), in(x.re, 2), in(x.re, 3)
		aIm, bIm, cIm, dIm := in(x.im, 0), in(x.im, 1), in(x.im, 2), in(x.im, 3)
		y0Re, y1Re, y2Re, y3Re := out(y.re, 0), out(y.re, 1), out(y.re, 2), out(y.re, 3)
		y0Im, y1Im, y2Im, y3Im := out(y.im, 0), out(y.im, 1), out(y.im, 2), out(y.im, 3)
		for q := range aRe {
			acRe, acIm := aRe[q]+cRe[q], aIm[q]+cIm[q]
			bdRe, bdIm := bRe[q]+dRe[q], bIm[q]+dIm[q]
			y0Re[q], y0Im[q] = acRe+bdRe, acIm+bdIm
			eRe, eIm := acRe-bdRe, acIm-bdIm
			y2Re[q] = float64(eRe*c2) + float64(eIm*s2)
			y2Im[q] = float64(eIm*c2) - float64(eRe*s2)

			acRe, acIm = aRe[q]-cRe[q], aIm[q]-cIm[q]
			bdRe, bdIm = bRe[q]-dRe[q], bIm[q]-dIm[q]
			eRe, eIm = acRe+bdIm, acIm-bdRe
			y1Re[q] = float64(eRe*c1) + float64(eIm*s1)
			y1Im[q] = float64(eIm*c1) - float64(eRe*s1)
			eRe, eIm = acRe-bdIm, acIm+bdRe
			y3Re[q] = float64(eRe*c3) + float64(eIm*s3)
			y3Im[q] = float64(eIm*c3) - float64(eRe*s3)
		}
	}
}

// radix2 is the last step where a size of 2 is left.
func radix2(x, y split, stride int) {
	for q := range stride {
		aRe, aIm, bRe, bIm := x.re[q], x.im[q], x.re[q+stride], x.im[q+stride]
		y.re[q], y.im[q] = aRe+bRe, aIm+bIm
		y.re[q+stride], y.im[q+stride] = aRe-bRe, aIm-bIm
	}
}

// circle is the cosine and the sine of 2πk/n for k < n. Only an eighth of the
// circle is computed, the rest mirrored, so that symmetries hold exactly.
func circle(n int) (cos, sin []float64) {
	cos, sin = make([]float64, n), make([]float64, n)
	for k := range n {
		quadrant, j := 4*k/n, k%(n/4)
		var c, s float64
		if 8*j <= n {
			angle := 2 * math.Pi * float64(j) / float64(n)
			c, s = kernel.Cos(angle), kernel.Sin(angle)
		} else {
			angle := 2 * math.Pi * float64(n/4-j) / float64(n)
			c, s = kernel.Sin(angle), kernel.Cos(angle)
		}
		switch quadrant {
		case 1:
			c, s = -s, c
		case 2:
			c, s = -c, -s
		case 3:
			c, s = s, -c
		}
		cos[k], sin[k] = c, s
	}
	return cos, sin
}

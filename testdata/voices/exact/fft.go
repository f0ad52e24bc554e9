package exact

import "math"

// FFT is a radix-2 transform of one size, a power of two.
type FFT struct {
	n    int
	cos  []float64
	sin  []float64
	swap []int32
}

// NewFFT plans transforms of n values.
func NewFFT(n int) *FFT {
	f := &FFT{n: n, cos: make([]float64, n/2), sin: make([]float64, n/2), swap: make([]int32, n)}
	for i := range f.cos {
		angle := float64(2*math.Pi) * float64(i) / float64(n)
		f.cos[i], f.sin[i] = Cos(angle), -Sin(angle)
	}
	for i := 1; i < n; i++ {
		f.swap[i] = f.swap[i>>1] >> 1
		if i&1 == 1 {
			f.swap[i] |= int32(n >> 1)
		}
	}
	return f
}

// Size is the number of values.
func (f *FFT) Size() int { return f.n }

// Forward transforms re + i im in place, without scaling.
func (f *FFT) Forward(re, im []float64) {
	re, im = re[:f.n], im[:f.n]
	for i, j := range f.swap {
		if int32(i) < j {
			re[i], re[j] = re[j], re[i]
			im[i], im[j] = im[j], im[i]
		}
	}
	for half := 1; half < f.n; half <<= 1 {
		step := f.n / (2 * half)
		for start := 0; start < f.n; start += 2 * half {
			ra, rb := re[start:start+half], re[start+half:start+2*half]
			ia, ib := im[start:start+half], im[start+half:start+2*half]
			for k := range ra {
				c, s := f.cos[k*step], f.sin[k*step]
				xr := float64(rb[k]*c) - float64(ib[k]*s)
				xi := float64(rb[k]*s) + float64(ib[k]*c)
				rb[k], ib[k] = ra[k]-xr, ia[k]-xi
				ra[k], ia[k] = ra[k]+xr, ia[k]+xi
			}
		}
	}
}

// Inverse undoes Forward, scaling included.
func (f *FFT) Inverse(re, im []float64) {
	f.Forward(im, re) // swapping the parts conjugates
	scale := 1 / float64(f.n)
	for i := range re[:f.n] {
		re[i] *= scale
		im[i] *= scale
	}
}

package exact

import "math"

// FFT is a radix-2 transform of one size, a power of two.
type FFT struct {
	n        int
	cos, sin []float64 // of every pass, one behind the other, so that a pass reads them in order
	swap     []int32
}

// NewFFT plans transforms of n values.
func NewFFT(n int) *FFT {
	f := &FFT{n: n, swap: make([]int32, n)}
	for half := 1; half < n; half <<= 1 {
		for k := range half {
			angle := float64(math.Pi) * float64(k) / float64(half)
			f.cos, f.sin = append(f.cos, Cos(angle)), append(f.sin, -Sin(angle))
		}
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
		cos, sin := f.cos[half-1:2*half-1], f.sin[half-1:][:half]
		for start := 0; start < f.n; start += 2 * half {
			ra, rb := re[start:start+half], re[start+half:start+2*half]
			ia, ib := im[start:start+half], im[start+half:start+2*half]
			ra, rb, ia, ib = ra[:len(cos)], rb[:len(cos)], ia[:len(cos)], ib[:len(cos)] // no bounds checks below
			for k, c := range cos {
				s := sin[k]
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

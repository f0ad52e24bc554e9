package spectrum

// step4 is radix4's loop over p and q: quarter and stride as there, stride even,
// turn the distance of twiddles.
//
//go:noescape
func step4(xRe, xIm, yRe, yIm, cos, sin *float64, quarter, stride, turn int)

// radix4 does one step: stride interleaved transforms of a size become
// 4·stride interleaved ones of a quarter of it.
func (f *FFT) radix4(x, y split, size, stride int) {
	n := size * stride
	if stride%2 != 0 || len(x.re) < n || len(x.im) < n || len(y.re) < n || len(y.im) < n || len(f.cos) < f.n || len(f.sin) < f.n {
		f.radix4Slow(x, y, size, stride)
		return
	}
	step4(&x.re[0], &x.im[0], &y.re[0], &y.im[0], &f.cos[0], &f.sin[0], size/4, stride, f.n/size)
}

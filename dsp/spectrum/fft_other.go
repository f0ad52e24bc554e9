//go:build !amd64

package spectrum

// radix4 does one step: stride interleaved transforms of a size become
// 4·stride interleaved ones of a quarter of it.
func (f *FFT) radix4(x, y split, size, stride int) { f.radix4Slow(x, y, size, stride) }

// Package level brings a finished signal to the levels and the word length of
// its file. It measures nothing: meters are in package meter.
package level

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"math/bits"

	"chapterhouse/dsp"
)

// Fewest and most bits a Dither quantises to.
const (
	MinDitherBits = 8
	MaxDitherBits = 24
)

// A Seed chooses one of many dither noises. The zero Seed is none.
type Seed struct{ start, step uint64 }

// SeedOf is the seed that belongs to a source, from its digest. Two channels of
// one source need two seeds: give their digests different endings.
func SeedOf(digestHex string) Seed {
	sum := sha256.Sum256([]byte(digestHex))
	return Seed{
		start: binary.LittleEndian.Uint64(sum[0:]),
		step:  oddStep(binary.LittleEndian.Uint64(sum[8:])),
	}
}

// A Dither quantises to whole steps of q = 2^−(bits−1) with TPDF dither: a
// listener hears a steady hiss in place of the distortion that plain rounding
// makes of a fading tail. Noise power is q²/4 whatever the signal: −96.33 dBFS
// plain RMS at 16 bits.
//
//	y[n] = q·floor(x[n]/q + u[n] − v[n] + 1/2)
//
// u and v are independent and uniform over [0, 1), 32 bits each, taken from one
// output of SplitMix64 at the counter n; n is the absolute sample index in the
// source. A sample's noise depends on the seed and its index only, so that a
// passage that did not change keeps its bytes, wherever a pass begins.
//
// Sources: S. P. Lipshitz, R. A. Wannamaker, J. Vanderkooy, Quantization and
// Dither: A Theoretical Survey, JAES 40(5), 1992; G. L. Steele, D. Lea, C. H.
// Flood, Fast Splittable Pseudorandom Number Generators, OOPSLA 2014.
type Dither struct {
	scale   float64 // 1/q
	seed    Seed
	clipped int64
}

// NewDither prepares quantising to a number of bits, from MinDitherBits to
// MaxDitherBits, with the noise of a seed.
func NewDither(bits int, seed Seed) (*Dither, error) {
	if bits < MinDitherBits || bits > MaxDitherBits {
		return nil, fmt.Errorf("dither: %d bits is outside %d to %d", bits, MinDitherBits, MaxDitherBits)
	}
	if seed.step == 0 {
		return nil, fmt.Errorf("dither: no seed; take one with SeedOf")
	}
	return &Dither{scale: float64(int(1) << (bits - 1)), seed: seed}, nil
}

// Process quantises block in place. at is the absolute index of block[0] in the
// source; it may be negative. Results are multiples of q from −1 to 1−q; what
// lies outside is set to the nearer end and counted. It does not allocate.
func (d *Dither) Process(block []float64, at dsp.Frames) {
	state := d.seed.start + d.seed.step*uint64(at)
	lowest, highest := -d.scale, d.scale-1
	step := 1 / d.scale // a power of two: exact
	for i, x := range block {
		state += d.seed.step
		r := splitMix(state)
		noise := float64(float64(int64(r>>32)-int64(r&0xffffffff)) * 0x1p-32)
		v := math.Floor(float64(x*d.scale) + noise + 0.5)
		if v > highest {
			v = highest
			d.clipped++
		} else if v < lowest {
			v = lowest
			d.clipped++
		}
		block[i] = v * step
	}
}

// Clipped is the number of samples so far that lay outside the range.
func (d *Dither) Clipped() int64 { return d.clipped }

// splitMix makes one SplitMix64 output of a state (Stafford's variant 13, as in
// Steele, Lea and Flood, figure 16).
func splitMix(z uint64) uint64 {
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// oddStep makes a step of any number: odd, so that the states run through all
// values, and with enough changes from bit to bit (the same paper's mixGamma).
func oddStep(z uint64) uint64 {
	z = (z ^ z>>33) * 0xff51afd7ed558ccd
	z = (z ^ z>>33) * 0xc4ceb9fe1a85ec53
	z = (z ^ z>>33) | 1
	if bits.OnesCount64(z^z>>1) < 24 {
		z ^= 0xaaaaaaaaaaaaaaaa
	}
	return z
}

package kernel

import "math"

// What one octave of amplitude and of power is in decibels: 20·log10(2) and
// 10·log10(2).
const (
	amplitudeOctaveDB = 6.020599913279624
	powerOctaveDB     = 3.010299956639812
)

// The level kernels tell nothing smaller from zero, so that the level of
// digital silence is a number.
const (
	amplitudeFloor = 0x1p-40
	powerFloor     = 0x1p-80

	// SilenceDB is the level that they give to zero, and to everything below
	// their floor.
	SilenceDB = -40 * amplitudeOctaveDB
)

// AmplitudesToDB writes 20·log10 of each amplitude of src to dst, which may be
// src: SilenceDB for 2^-40 and everything below it, NaN included. The error is
// below 1e-8 dB; an amplitude of 1 gives 0 exactly.
func AmplitudesToDB(dst, src []float64) { log2s(dst, src, amplitudeFloor, amplitudeOctaveDB) }

// PowersToDB writes 10·log10 of each power of src to dst, which may be src:
// -240.8 dB for 2^-80 and everything below it, NaN included. The error is below
// 1e-8 dB; a power of 1 gives 0 exactly.
func PowersToDB(dst, src []float64) { log2s(dst, src, powerFloor, powerOctaveDB) }

// log2s writes unit·log2(max(src, floor)) to dst. The exponent is split off so
// that √½ ≤ m < √2; log2(m) is (m-1)·q(m-1) with q the minimax polynomial of
// degree 9 (Remez exchange), whose greatest error is 1.2e-9.
func log2s(dst, src []float64, floor, unit float64) {
	const (
		rootHalf     = 0x3fe6a09e667f3bcd // the bits of √½
		mantissaBits = 52

		c0 = 1.442695040847043902
		c1 = -0.7213471601207488344
		c2 = 0.4808981454424664681
		c3 = -0.3607088146630171504
		c4 = 0.2885791753738956346
		c5 = -0.2393929040533480653
		c6 = 0.2042894109650658513
		c7 = -0.1923529736414196362
		c8 = 0.1883904663551638437
		c9 = -0.1097511790394548586
	)
	dst = dst[:len(src)]
	if whole := len(src) &^ 3; vectors && whole > 0 {
		logs4(&dst[0], &src[0], whole/4, floor, unit)
		dst, src = dst[whole:], src[whole:]
	}
	for i, v := range src {
		if !(v >= floor) { // so written, NaN is silence too
			v = floor
		}
		bits := math.Float64bits(v)
		e := int64(bits-rootHalf) >> mantissaBits
		t := math.Float64frombits(bits-uint64(e)<<mantissaBits) - 1
		t2 := float64(t * t)
		t4 := float64(t2 * t2)
		t8 := float64(t4 * t4)
		q0 := (c0 + float64(c1*t)) + float64(t2*(c2+float64(c3*t)))
		q4 := (c4 + float64(c5*t)) + float64(t2*(c6+float64(c7*t)))
		q := (q0 + float64(t4*q4)) + float64(t8*(c8+float64(c9*t)))
		dst[i] = unit * (float64(e) + float64(t*q))
	}
}

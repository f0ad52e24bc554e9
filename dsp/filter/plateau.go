package filter

import (
	"cmp"
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// A plateau keeps its promise by its order; these are the promises.
const (
	plateauInnerShare  = 0.8  // of the width in octaves, where the floor is flat
	plateauFloorDB     = 0.25 // the floor's largest distance from gain_db
	plateauOutsideDB   = 0.5  // what is left ...
	plateauOutsideOct  = 1. / 3
	plateauLargestGain = 18
	plateauMostOrder   = 14
)

// Plateau lifts or lowers a stretch of the spectrum evenly, such as a boxy
// octave, where a bell would dig a hole in its middle: a flat floor with steep
// sides.
//
//	|H|² = (G² + G·F) / (1 + G·F),  F = (Ω/ΩB)^2n,
//	Ω = (cos ω0 - cos ω) / sin ω,  tan²(ω0/2) = tan(ω1/2)·tan(ω2/2)
//
// G is the gain as a ratio, ω1 and ω2 are the edges, ΩB is |Ω| at both edges.
// The order n is the smallest that holds the floor within ±0.25 dB over the
// inner 80 % of the width (in octaves) and is back within 0.5 dB of nothing a
// third of an octave outside the edges; it is also the number of sections.
//
// Parameters:
//   - from_hz, to_hz: the edges, where half of the gain in dB is reached, 10 to
//     0.45 of the rate, at least a twelfth of an octave apart; no default.
//   - gain_db: -18 to 18; 0 is no section at all; no default.
//
// The same plateau with the opposite gain undoes it.
//
// Latency: none; the phase turn delays the edges of -3 dB over 560 to 780 Hz
// by 1.2 ms, more for lower, narrower and deeper plateaus.
//
// Source: Orfanidis, "High-Order Digital Parametric Equalizer Design", JAES
// 53(11), 2005: Butterworth case with the gain at the edges the geometric mean
// of floor and surroundings, factored here into second-order sections.
func Plateau(fromHz, toHz, gainDB, rateHz float64) ([]kernel.Biquad, error) {
	if err := cmp.Or(frequency("from_hz", fromHz, rateHz), frequency("to_hz", toHz, rateHz),
		dsp.Within("gain_db", gainDB, -plateauLargestGain, plateauLargestGain)); err != nil {
		return nil, err
	}
	if narrowest := fromHz * kernel.Pow(2, 1./12); toHz < narrowest {
		return nil, fmt.Errorf("to_hz is %g, it must be %.4g or more, a twelfth of an octave above from_hz", toHz, narrowest)
	}
	if gainDB == 0 {
		return nil, nil
	}
	p := newPlateau(fromHz, toHz, gainDB, rateHz)
	for p.order = 2; !p.holds(fromHz, toHz, gainDB, rateHz); p.order++ {
		if p.order == plateauMostOrder {
			return nil, fmt.Errorf("a plateau of gain_db %g from_hz %g to_hz %g is too steep for the rate %g; lower to_hz or the gain", gainDB, fromHz, toHz, rateHz)
		}
	}
	return p.sections(), nil
}

// plateau is a design between its parameters and its sections.
type plateau struct {
	order int
	gain  float64 // G
	edge  float64 // ΩB
	cos0  float64 // cos ω0
	sin0  float64 // sin ω0
}

func newPlateau(fromHz, toHz, gainDB, rateHz float64) plateau {
	t1, t2 := kernel.Tan(math.Pi*fromHz/rateHz), kernel.Tan(math.Pi*toHz/rateHz)
	t := float64(t1 * t2)
	return plateau{
		gain: kernel.FromDB(gainDB),
		edge: kernel.Tan(math.Pi * (toHz - fromHz) / rateHz),
		cos0: (1 - t) / (1 + t),
		sin0: 2 * math.Sqrt(t) / (1 + t),
	}
}

// levelDB is the gain of the design at a frequency, by its formula.
func (p plateau) levelDB(hz, rateHz float64) float64 {
	w := 2 * math.Pi * hz / rateHz
	omega := math.Abs((p.cos0 - kernel.Cos(w)) / kernel.Sin(w))
	f := kernel.Pow(omega/p.edge, float64(2*p.order))
	gf := float64(p.gain * f)
	return kernel.PowerDB((float64(p.gain*p.gain) + gf) / (1 + gf))
}

// holds says whether the order suffices.
func (p plateau) holds(fromHz, toHz, gainDB, rateHz float64) bool {
	margin := kernel.Pow(toHz/fromHz, (1-plateauInnerShare)/2)
	for _, hz := range []float64{fromHz * margin, toHz / margin} {
		if math.Abs(p.levelDB(hz, rateHz)-gainDB) > plateauFloorDB {
			return false
		}
	}
	reach := kernel.Pow(2, plateauOutsideOct)
	for _, hz := range []float64{fromHz / reach, toHz * reach} {
		if hz < rateHz/2 && math.Abs(p.levelDB(hz, rateHz)) > plateauOutsideDB {
			return false
		}
	}
	return true
}

// sections factors the design. The analogue prototype has its poles and zeros
// on two circles, at the angles of a Butterworth low-pass; the band transform
// s = (1 - 2·cos ω0·z⁻¹ + z⁻²)/(1 - z⁻²) makes two digital roots of each, one
// towards each edge.
func (p plateau) sections() []kernel.Biquad {
	spread := kernel.Pow(p.gain, 1/float64(2*p.order))
	poleRadius, zeroRadius := p.edge/spread, float64(p.edge*spread)
	var sections []kernel.Biquad
	if p.order%2 == 1 {
		den := poles{1 + poleRadius, float64(-2 * p.cos0), 1 - poleRadius}
		sections = append(sections, den.over(1+zeroRadius, den.a1, 1-zeroRadius))
	}
	for k := range p.order / 2 {
		phi := float64(2*k+1) * math.Pi / float64(2*p.order)
		sin, cos := kernel.Sin(phi), kernel.Cos(phi)
		pole, poleNorm := p.roots(-poleRadius*sin, poleRadius*cos)
		zero, zeroNorm := p.roots(-zeroRadius*sin, zeroRadius*cos)
		g := zeroNorm / poleNorm
		for i := range pole {
			sections = append(sections, kernel.Biquad{
				B0: g, B1: g * zero[i].a1, B2: g * zero[i].a2,
				A1: pole[i].a1, A2: pole[i].a2,
			})
		}
	}
	return sections
}

// roots solves (1-s)·z² - 2·cos ω0·z + (1+s) = 0 for s = re + j·im and returns
// both roots as the sections of their conjugate pairs, and |1-s|.
func (p plateau) roots(re, im float64) (pair [2]poles, norm float64) {
	// q = √(s² - sin²ω0); the direct form cos²ω0 - 1 + s² would cancel.
	qRe, qIm := complexSqrt(float64(re*re)-float64(im*im)-float64(p.sin0*p.sin0), float64(2*re*im))
	square := float64((1-re)*(1-re)) + float64(im*im)
	for i, sign := range []float64{1, -1} {
		nRe, nIm := p.cos0+float64(sign*qRe), float64(sign*qIm)
		// z = n/(1-s) = n·conj(1-s)/|1-s|²; only Re z and |z|² are wanted.
		zRe := (float64(nRe*(1-re)) - float64(nIm*im)) / square
		zAbs2 := (float64(nRe*nRe) + float64(nIm*nIm)) / square
		pair[i] = poles{1, float64(-2 * zRe), zAbs2}
	}
	return pair, math.Sqrt(square)
}

// complexSqrt is the square root with a positive real part. The language's
// complex products may be fused, so it is written out.
func complexSqrt(re, im float64) (sqrtRe, sqrtIm float64) {
	abs := math.Sqrt(float64(re*re) + float64(im*im))
	large := math.Sqrt((abs + math.Abs(re)) / 2)
	if large == 0 {
		return 0, 0
	}
	if re >= 0 {
		return large, im / (2 * large)
	}
	return math.Abs(im) / (2 * large), math.Copysign(large, im)
}

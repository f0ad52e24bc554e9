// Package exact is the arithmetic of the narration generator: functions that
// give the same bits on every machine and under every GOAMD64, so that a seed
// names a recording. The standard library's Sin, Cos, Exp and Pow don't: they
// use fused multiply-add where the CPU or the build has it.
package exact

import "math"

const (
	pio2Hi = 1.5707963267341256e+00 // the upper 33 bits of pi/2
	pio2Lo = 6.0771005065061922e-11 // the rest
)

// Sin is the sine of x, good to 1e-14 for |x| up to 1e6.
func Sin(x float64) float64 {
	n := math.Floor(float64(x*(2/math.Pi)) + 0.5)
	return quadrant(reduce(x, n), int64(n))
}

// Cos is the cosine of x, good to 1e-14 for |x| up to 1e6.
func Cos(x float64) float64 {
	n := math.Floor(float64(x*(2/math.Pi)) + 0.5)
	return quadrant(reduce(x, n), int64(n)+1)
}

func reduce(x, n float64) float64 {
	r := x - float64(n*pio2Hi)
	return r - float64(n*pio2Lo)
}

// quadrant is the sine of r + n pi/2 for |r| up to pi/4, by Taylor series.
func quadrant(r float64, n int64) float64 {
	r2 := r * r
	var y float64
	if n&1 == 0 {
		y = 1.0 / 6227020800
		y = float64(y*r2) - 1.0/39916800
		y = float64(y*r2) + 1.0/362880
		y = float64(y*r2) - 1.0/5040
		y = float64(y*r2) + 1.0/120
		y = float64(y*r2) - 1.0/6
		y = r + float64(float64(y*r2)*r)
	} else {
		y = -1.0 / 87178291200
		y = float64(y*r2) + 1.0/479001600
		y = float64(y*r2) - 1.0/3628800
		y = float64(y*r2) + 1.0/40320
		y = float64(y*r2) - 1.0/720
		y = float64(y*r2) + 1.0/24
		y = float64(y*r2) - 1.0/2
		y = float64(y*r2) + 1
	}
	if n&2 != 0 {
		return -y
	}
	return y
}

// Exp is e to the x. math.Exp2 is plain Go everywhere; math.Exp is not.
func Exp(x float64) float64 { return math.Exp2(float64(x * math.Log2E)) }

// Semitones is the frequency ratio of st semitones.
func Semitones(st float64) float64 { return math.Exp2(st / 12) }

// Amplitude is the linear factor of db decibels.
func Amplitude(db float64) float64 { return math.Exp2(float64(db * (math.Log2E * math.Ln10 / 20))) }

// Decibels is 20 log10 of a linear factor.
func Decibels(a float64) float64 { return float64(20 * math.Log10(a)) }

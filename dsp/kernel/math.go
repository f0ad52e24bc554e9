// Package kernel holds the inner loops of the sound, and the arithmetic that
// filter design needs.
//
// The standard library's Exp, Pow, Tanh, Sin, Cos and Tan give other last bits
// on other processors or under other compiler settings. The functions here
// are built from additions, separately rounded products, divisions and square
// roots only, which IEEE 754 fixes to the bit. They are meant for coefficients
// and test signals: exact to about two units in the last place, not fast.
package kernel

import "math"

// π/2 and ln 2 in pieces: the leading ones are short, so that their product
// with a whole number of up to 20 bits is exact.
const (
	halfPi1 = 0x1.921fb544p+0
	halfPi2 = 0x1.0b4611a6p-34
	halfPi3 = 0x1.3198a2e037073p-69
	ln2Hi   = 0x1.62e42ffp-1
	ln2Lo   = -0x1.718432a1b0e26p-35
)

// Sin is the sine of x radians. |x| up to 1.5 million is reduced exactly;
// beyond that the result loses accuracy.
func Sin(x float64) float64 {
	r, quadrant := reduceQuarter(x)
	switch quadrant {
	case 0:
		return sinNear0(r)
	case 1:
		return cosNear0(r)
	case 2:
		return -sinNear0(r)
	}
	return -cosNear0(r)
}

// Cos is the cosine of x radians, with the range of Sin.
func Cos(x float64) float64 {
	r, quadrant := reduceQuarter(x)
	switch quadrant {
	case 0:
		return cosNear0(r)
	case 1:
		return -sinNear0(r)
	case 2:
		return -cosNear0(r)
	}
	return sinNear0(r)
}

// Tan is the tangent of x radians, with the range of Sin.
func Tan(x float64) float64 { return Sin(x) / Cos(x) }

// reduceQuarter returns x - k·π/2 in ±π/4 and k modulo 4 (Cody and Waite,
// Software Manual for the Elementary Functions, 1980).
func reduceQuarter(x float64) (r float64, quadrant int) {
	k := math.Floor(float64(x*(2/math.Pi)) + 0.5)
	r = x - float64(k*halfPi1)
	r -= float64(k * halfPi2)
	r -= float64(k * halfPi3)
	return r, int(int64(k) & 3)
}

// Taylor series: at π/4 the first term left out is below 1e-18 of the sum.
func sinNear0(x float64) float64 {
	z := float64(x * x)
	p := horner(z, 1./355687428096000, -1./1307674368000, 1./6227020800, -1./39916800, 1./362880, -1./5040, 1./120, -1./6)
	return x + float64(float64(x*z)*p)
}

func cosNear0(x float64) float64 {
	z := float64(x * x)
	p := horner(z, 1./20922789888000, -1./87178291200, 1./479001600, -1./3628800, 1./40320, -1./720, 1./24)
	half := float64(0.5 * z)
	w := 1 - half
	return w + (((1 - w) - half) + float64(float64(z*z)*p)) // (1-w)-half is what w lost to rounding
}

// horner evaluates a polynomial, highest coefficient first.
func horner(x float64, c ...float64) float64 {
	p := c[0]
	for _, ck := range c[1:] {
		p = float64(p*x) + ck
	}
	return p
}

// Exp is e to the x: +Inf above 709.8, 0 below -745.2.
func Exp(x float64) float64 { return expOfSum(x, 0) }

// expOfSum is e^(x+lo) for |lo| far below |x|.
func expOfSum(x, lo float64) float64 {
	switch {
	case math.IsNaN(x):
		return x
	case x > 709.79:
		return math.Inf(1)
	case x < -745.2:
		return 0
	}
	k := math.Floor(float64(x*(1/math.Ln2)) + 0.5)
	r := x - float64(k*ln2Hi)
	r = r - float64(k*ln2Lo) + lo
	// Taylor: at ln(2)/2 the first term left out is below 1e-17.
	p := horner(r, 1./6227020800, 1./479001600, 1./39916800, 1./3628800, 1./362880, 1./40320, 1./5040, 1./720, 1./120, 1./24, 1./6, 0.5)
	return math.Ldexp(1+(r+float64(float64(r*r)*p)), int(k))
}

// Log is the natural logarithm: -Inf at 0, NaN below.
func Log(x float64) float64 {
	hi, lo := logSum(x)
	return hi + lo
}

// logSum is ln x as an unevaluated sum that holds about 60 bits.
func logSum(x float64) (hi, lo float64) {
	switch {
	case math.IsNaN(x) || x < 0:
		return math.NaN(), 0
	case x == 0:
		return math.Inf(-1), 0
	case math.IsInf(x, 1):
		return x, 0
	}
	m, e := math.Frexp(x)
	if m < math.Sqrt2/2 {
		m *= 2
		e--
	}
	// ln m = 2·artanh(s), s = (m-1)/(m+1), with s as quotient and remainder.
	f := m - 1 // exact
	g, gLo := sum(m, 1)
	s := f / g
	p, pLo := product(s, g)
	sLo := (((f - p) - pLo) - float64(s*gLo)) / g
	z := float64(s * s)
	q := horner(z, 2./23, 2./21, 2./19, 2./17, 2./15, 2./13, 2./11, 2./9, 2./7, 2./5, 2./3)
	tail := float64(2*sLo) + float64(float64(s*z)*q)
	k := float64(e)
	hi, lo = sum(float64(k*ln2Hi), float64(2*s))
	return sum(hi, lo+(float64(k*ln2Lo)+tail))
}

// product is x·y as a rounded value and what the rounding lost (Dekker 1971).
func product(x, y float64) (hi, lo float64) {
	const split = 1<<27 + 1
	hi = float64(x * y)
	t := float64(split * x)
	x1 := t - (t - x)
	x2 := x - x1
	t = float64(split * y)
	y1 := t - (t - y)
	y2 := y - y1
	lo = ((float64(x1*y1) - hi) + float64(x1*y2) + float64(x2*y1)) + float64(x2*y2)
	return hi, lo
}

// sum is x+y as a rounded value and what the rounding lost (Knuth).
func sum(x, y float64) (hi, lo float64) {
	hi = x + y
	if math.IsInf(hi, 0) {
		return hi, 0
	}
	t := hi - x
	return hi, (x - (hi - t)) + (y - t)
}

// Pow is x to the y for x ≥ 0; NaN for negative x.
func Pow(x, y float64) float64 {
	switch {
	case y == 0 || x == 1:
		return 1
	case x == 0 || math.IsInf(x, 1):
		if (x == 0) == (y > 0) {
			return 0
		}
		return math.Inf(1)
	}
	hi, lo := logSum(x)
	p, pLo := product(hi, y)
	return expOfSum(p, pLo+float64(lo*y))
}

// FromDB is the amplitude ratio of a level in decibels, 10^(dB/20); 0 for -Inf.
func FromDB(db float64) float64 {
	if math.IsInf(db, 0) {
		return expOfSum(db, 0)
	}
	const ln10by20Hi, ln10by20Lo = 0x1.d791c5f888822p-4, 0x1.abeeabde89357p-58
	p, pLo := product(db, ln10by20Hi)
	return expOfSum(p, pLo+float64(db*ln10by20Lo))
}

// DB is the level of an amplitude ratio, 20·log10(ratio); -Inf for 0.
func DB(ratio float64) float64 {
	hi, lo := logSum(ratio)
	if math.IsInf(hi, 0) {
		return hi
	}
	const by20Hi, by20Lo = 0x1.15f2ced384f29p+3, -0x1.02bea6b55233cp-52
	p, pLo := product(hi, by20Hi)
	return p + (pLo + float64(hi*by20Lo) + float64(lo*by20Hi))
}

// FromPowerDB is the power ratio of a level in decibels, 10^(dB/10).
func FromPowerDB(db float64) float64 { return FromDB(2 * db) }

// PowerDB is the level of a power ratio, 10·log10(ratio); -Inf for 0.
func PowerDB(ratio float64) float64 { return float64(DB(ratio) / 2) }

// Sinh is the hyperbolic sine.
func Sinh(x float64) float64 {
	switch a := math.Abs(x); {
	case a < 1: // Taylor, where the difference of exponentials would cancel
		z := float64(x * x)
		p := horner(z, 1./355687428096000, 1./1307674368000, 1./6227020800, 1./39916800, 1./362880, 1./5040, 1./120, 1./6)
		return x + float64(float64(x*z)*p)
	case a > 709:
		h := Exp(a / 2)
		return math.Copysign(float64(0.5*h)*h, x)
	default:
		e := Exp(a)
		return math.Copysign((e-1/e)/2, x)
	}
}

// Cosh is the hyperbolic cosine.
func Cosh(x float64) float64 {
	a := math.Abs(x)
	if a > 709 {
		h := Exp(a / 2)
		return float64(0.5*h) * h
	}
	e := Exp(a)
	return (e + 1/e) / 2
}

// Tanh is the hyperbolic tangent.
func Tanh(x float64) float64 {
	a := math.Abs(x)
	if a < 0.5 {
		return Sinh(x) / Cosh(x)
	}
	return math.Copysign(1-2/(Exp(float64(2*a))+1), x)
}

// Asinh is the inverse of Sinh.
func Asinh(x float64) float64 {
	a := math.Abs(x)
	if a > 1e150 {
		return math.Copysign(Log(a)+math.Ln2, x)
	}
	root := math.Sqrt(1 + float64(a*a))
	if a < 0.25 { // 2·artanh(t), where the argument of the logarithm is too near 1
		t := a / (1 + root)
		z := float64(t * t)
		q := horner(z, 2./19, 2./17, 2./15, 2./13, 2./11, 2./9, 2./7, 2./5, 2./3)
		return math.Copysign(float64(2*t)+float64(float64(t*z)*q), x)
	}
	return math.Copysign(Log(a+root), x)
}

// Atan2 is the angle of the point (x, y) in radians, -π to π; 0 for the origin.
func Atan2(y, x float64) float64 {
	ax, ay := math.Abs(x), math.Abs(y)
	if ax == 0 && ay == 0 {
		return 0
	}
	var a float64
	if ay <= ax {
		a = atan01(ay / ax)
	} else {
		a = math.Pi/2 - atan01(ax/ay)
	}
	if x < 0 {
		a = math.Pi - a
	}
	return math.Copysign(a, y)
}

// atan01 is the arctangent for 0 ≤ x ≤ 1: the angle is halved twice, then
// Taylor, where the first term left out is below 1e-17 of the sum.
func atan01(x float64) float64 {
	x /= 1 + math.Sqrt(1+float64(x*x))
	x /= 1 + math.Sqrt(1+float64(x*x))
	z := float64(x * x)
	p := horner(z, -1./23, 1./21, -1./19, 1./17, -1./15, 1./13, -1./11, 1./9, -1./7, 1./5, -1./3)
	return 4 * (x + float64(float64(x*z)*p))
}

// Sinc is sin(πx)/(πx): 1 at 0 and exactly 0 at every other whole number.
func Sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	n := math.Floor(x + 0.5)
	s := Sin(math.Pi * (x - n))
	if math.Floor(n/2)*2 != n {
		s = -s
	}
	return s / (math.Pi * x)
}

// BesselI0 is the modified Bessel function of the first kind and order 0, by
// its power series (Abramowitz and Stegun 9.6.12). It shapes the Kaiser window.
func BesselI0(x float64) float64 {
	q := float64(x*x) / 4
	sum, term := 1.0, 1.0
	for k := 1.0; term > sum*1e-17; k++ {
		term = float64(term*q) / float64(k*k)
		sum += term
	}
	return sum
}

package kernel

import "math"

// ExpIntegral is the exponential integral E1(x), the integral of exp(-t)/t from
// x on, for x > 0; +Inf at 0, NaN below. Up to 1 by its series, above by its
// continued fraction (Abramowitz and Stegun, 5.1.11 and 5.1.22).
func ExpIntegral(x float64) float64 {
	const euler = 0.57721566490153286
	switch {
	case math.IsNaN(x) || x < 0:
		return math.NaN()
	case x == 0:
		return math.Inf(1)
	case x > 700:
		return 0
	case x <= 1:
		sum, term := 0.0, 1.0
		for k := 1.0; k <= 20; k++ { // at 1 the first term left out is below 1e-21
			term = float64(-term*x) / k
			sum -= term / k
		}
		return sum - (euler + Log(x))
	}
	// From the inside out; at 1 a hundred steps leave an error below 1e-15.
	tail := x
	for k := 100.0; k >= 1; k-- {
		tail = x + k/(1+k/tail)
	}
	return Exp(-x) / tail
}

package main

import "math"

// z95 is what a normal number exceeds on either side in 5 % of cases.
const z95 = 1.959963984540054

// wilson is the 95 % interval of a share (Wilson 1927; Newcombe 1998, method 3).
func wilson(hits, of int) (low, high float64) {
	if of == 0 {
		return 0, 1
	}
	n, p := float64(of), float64(hits)/float64(of)
	middle := p + z95*z95/(2*n)
	half := z95 * math.Sqrt(p*(1-p)/n+z95*z95/(4*n*n))
	whole := 1 + z95*z95/n
	return max(0, (middle-half)/whole), min(1, (middle+half)/whole)
}

// poissonHigh is the upper end of the 95 % interval of a mean of which so many
// were counted (Garwood 1936): fewer or as many come in 2.5 % of cases.
func poissonHigh(count int) float64 {
	low, high := 0.0, float64(count)+20+10*math.Sqrt(float64(count))
	for range 100 {
		mid := (low + high) / 2
		term := math.Exp(-mid)
		sum := term
		for k := 1; k <= count; k++ {
			term *= mid / float64(k)
			sum += term
		}
		if sum > 0.025 {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}

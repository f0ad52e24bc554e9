package main

import (
	"math"
	"testing"
)

// TestWilson: the examples of Newcombe, Statistics in Medicine 17 (1998), table
// I, method 3, to their four decimals (from memory).
func TestWilson(t *testing.T) {
	for _, c := range []struct {
		hits, of  int
		low, high float64
	}{{81, 263, 0.2553, 0.3662}, {15, 148, 0.0624, 0.1605}, {0, 20, 0, 0.1611}, {1, 29, 0.0061, 0.1718}} {
		low, high := wilson(c.hits, c.of)
		if math.Abs(low-c.low) > 0.00005 || math.Abs(high-c.high) > 0.00005 {
			t.Errorf("%d of %d: %.4f to %.4f, published %.4f to %.4f", c.hits, c.of, low, high, c.low, c.high)
		}
	}
}

// TestPoisson: the upper limits of Garwood, Biometrika 28 (1936), to two
// decimals, as tables of exact Poisson intervals have them (from memory).
func TestPoisson(t *testing.T) {
	for count, high := range map[int]float64{0: 3.69, 1: 5.57, 2: 7.22, 3: 8.77, 4: 10.24, 5: 11.67, 10: 18.39, 20: 30.89, 50: 65.92} {
		if got := poissonHigh(count); math.Abs(got-high) > 0.006 {
			t.Errorf("%d: at most %.3f, published %.2f", count, got, high)
		}
	}
}

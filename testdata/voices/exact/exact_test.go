package exact

import (
	"math"
	"testing"
)

func TestFunctionsAgainstTheStandardLibrary(t *testing.T) {
	r := NewRandom(1, "functions")
	for range 100000 {
		x := r.Between(-3000, 3000)
		if d := math.Abs(Sin(x) - math.Sin(x)); d > 1e-12 {
			t.Fatalf("Sin(%v) is off by %g", x, d)
		}
		if d := math.Abs(Cos(x) - math.Cos(x)); d > 1e-12 {
			t.Fatalf("Cos(%v) is off by %g", x, d)
		}
		y := x / 50
		if d := math.Abs(Exp(y)/math.Exp(y) - 1); d > 1e-13 {
			t.Fatalf("Exp(%v) is off by %g", y, d)
		}
		if d := math.Abs(Decibels(Amplitude(y)) - y); d > 1e-11 {
			t.Fatalf("Decibels(Amplitude(%v)) is off by %g", y, d)
		}
	}
}

func TestTransformAgainstTheDefinition(t *testing.T) {
	const n = 64
	r := NewRandom(2, "transform")
	re, im := make([]float64, n), make([]float64, n)
	for i := range re {
		re[i], im[i] = r.White(), r.White()
	}
	wantRe, wantIm := make([]float64, n), make([]float64, n)
	for k := range n {
		for i := range n {
			s, c := math.Sincos(-2 * math.Pi * float64(k*i) / n)
			wantRe[k] += re[i]*c - im[i]*s
			wantIm[k] += re[i]*s + im[i]*c
		}
	}
	before := append([]float64{}, re...)
	f := NewFFT(n)
	f.Forward(re, im)
	for k := range n {
		if math.Hypot(re[k]-wantRe[k], im[k]-wantIm[k]) > 1e-12 {
			t.Fatalf("bin %d is %v%+vi, want %v%+vi", k, re[k], im[k], wantRe[k], wantIm[k])
		}
	}
	f.Inverse(re, im)
	for i := range n {
		if math.Abs(re[i]-before[i]) > 1e-13 {
			t.Fatalf("Inverse(Forward) changes value %d by %g", i, re[i]-before[i])
		}
	}
}

func TestNoiseIsWhite(t *testing.T) {
	const n = 1 << 20
	r := NewRandom(3, "noise")
	var sum, square, lag float64
	last := 0.0
	for range n {
		x := r.White()
		sum += x
		square += x * x
		lag += x * last
		last = x
	}
	// Five standard errors of each estimate for n independent samples.
	limit := 5 / math.Sqrt(n)
	if mean := sum / n; math.Abs(mean) > limit {
		t.Errorf("mean %g", mean)
	}
	if v := square / n; math.Abs(v-1) > 1.3*limit {
		t.Errorf("variance %g", v)
	}
	if c := lag / n; math.Abs(c) > limit {
		t.Errorf("correlation with the sample before %g", c)
	}
}

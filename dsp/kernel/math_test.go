package kernel

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"
)

// Each function is held against the standard library's over the range that
// filter design and test signals use. The standard library is itself within
// one unit in the last place, so 1e-15 is about four units.
func TestMathAgainstStandardLibrary(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	uniform := func(lo, hi float64) func() float64 {
		return func() float64 { return lo + random.Float64()*(hi-lo) }
	}
	spread := func(loExp, hiExp float64) func() float64 { // both signs, even over the exponent
		return func() float64 {
			return math.Copysign(math.Exp(math.Ln10*(loExp+random.Float64()*(hiExp-loExp))), random.Float64()-0.5)
		}
	}
	abs := func(f func() float64) func() float64 { return func() float64 { return math.Abs(f()) } }
	for _, c := range []struct {
		name      string
		own, want func(float64) float64
		draw      func() float64
	}{
		{"Sin", Sin, math.Sin, uniform(-5000, 5000)},
		{"Sin small", Sin, math.Sin, spread(-12, 0)},
		{"Sin far", Sin, math.Sin, uniform(-1.5e6, 1.5e6)},
		{"Cos", Cos, math.Cos, uniform(-5000, 5000)},
		{"Cos small", Cos, math.Cos, spread(-12, 0)},
		{"Tan", Tan, math.Tan, uniform(-5000, 5000)},
		// math.Tan is off by 3e-15 near 1e-7, so the quotient is the reference.
		{"Tan small", Tan, func(x float64) float64 { return math.Sin(x) / math.Cos(x) }, spread(-12, 0)},
		{"Exp", Exp, math.Exp, uniform(-700, 700)},
		{"Exp small", Exp, math.Exp, spread(-12, 0)},
		{"Log", Log, math.Log, abs(spread(-300, 300))},
		{"Log near 1", Log, math.Log, uniform(0.5, 2)},
		{"Sinh", Sinh, math.Sinh, uniform(-20, 20)},
		{"Sinh small", Sinh, math.Sinh, spread(-12, 0)},
		{"Cosh", Cosh, math.Cosh, uniform(-20, 20)},
		{"Tanh", Tanh, math.Tanh, uniform(-20, 20)},
		{"Tanh small", Tanh, math.Tanh, spread(-12, 0)},
		{"Asinh", Asinh, math.Asinh, spread(-12, 12)},
		{"Asinh middle", Asinh, math.Asinh, uniform(-3, 3)},
		{"FromDB", FromDB, func(x float64) float64 { return math.Pow(10, x/20) }, uniform(-6, 6)},
	} {
		t.Run(c.name, func(t *testing.T) {
			worst, at := 0.0, 0.0
			for range 50_000 {
				x := c.draw()
				own, want := c.own(x), c.want(x)
				if e := math.Abs(own-want) / math.Abs(want); !(e <= worst) {
					worst, at = e, x
				}
			}
			if !(worst <= 1e-15) {
				t.Errorf("relative error %.3g at %.17g, want 1e-15", worst, at)
			}
		})
	}
}

// The sine of float64(kπ) is what the rounding of kπ left over: a reduction
// with too few bits of π has no correct digit there. Reference: big.Float with
// 60 digits of π.
func TestSinAtMultiplesOfPi(t *testing.T) {
	pi, _, err := big.ParseFloat("3.14159265358979323846264338327950288419716939937510582097494", 10, 200, big.ToNearestEven)
	if err != nil {
		t.Fatal(err)
	}
	for k := 1; k <= 400_000; k = k*3/2 + 1 {
		x := float64(k) * math.Pi
		exact := new(big.Float).SetPrec(200).Mul(pi, big.NewFloat(float64(k)))
		rest, _ := exact.Sub(new(big.Float).SetPrec(200).SetFloat64(x), exact).Float64()
		if k%2 == 1 {
			rest = -rest
		}
		if got := Sin(x); math.Abs(got-rest) > 1e-15*math.Abs(rest) {
			t.Errorf("Sin(%d·π) = %.17g, want %.17g", k, got, rest)
		}
	}
}

// Powers far from 1, where exp(y·ln x) in plain float64 loses digits.
func TestPowAndDB(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for range 2000 {
		x, n := 0.1+random.Float64()*20, random.IntN(200)-100
		want, base := big.NewFloat(1).SetPrec(200), big.NewFloat(x).SetPrec(200)
		for range max(n, -n) {
			want.Mul(want, base)
		}
		if n < 0 {
			want.Quo(big.NewFloat(1).SetPrec(200), want)
		}
		w, _ := want.Float64()
		if got := Pow(x, float64(n)); math.Abs(got-w) > 1e-15*w {
			t.Fatalf("Pow(%.17g, %d) = %.17g, want %.17g", x, n, got, w)
		}
	}
	for n := -15; n <= 15; n++ { // ±300 dB in steps of 20
		w, _, _ := big.ParseFloat("1e"+itoa(n), 10, 200, big.ToNearestEven)
		want, _ := w.Float64()
		if got := FromDB(float64(20 * n)); math.Abs(got-want) > 3e-16*want {
			t.Errorf("FromDB(%d) = %.17g, want %.17g", 20*n, got, want)
		}
		if got := DB(want); math.Abs(got-float64(20*n)) > 1e-15*math.Abs(float64(20*n)) {
			t.Errorf("DB(1e%d) = %.17g, want %d", n, got, 20*n)
		}
		if got := PowerDB(want); math.Abs(got-float64(10*n)) > 1e-15*math.Abs(float64(10*n)) {
			t.Errorf("PowerDB(1e%d) = %.17g, want %d", n, got, 10*n)
		}
	}
}

func itoa(n int) string { return big.NewInt(int64(n)).String() }

func TestMathEdges(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"Exp(-inf)", Exp(-inf), 0},
		{"Exp(inf)", Exp(inf), inf},
		{"Exp(nan)", Exp(nan), nan},
		{"Exp(-1000)", Exp(-1000), 0},
		{"Exp(1000)", Exp(1000), inf},
		{"Exp(-745)", Exp(-745), 5e-324},
		{"Log(0)", Log(0), -inf},
		{"Log(-1)", Log(-1), nan},
		{"Log(inf)", Log(inf), inf},
		{"Log(1)", Log(1), 0},
		{"Log(5e-324)", Log(5e-324), -744.44007192138127}, // -1074·ln 2; math.Log is wrong here on amd64
		{"Pow(0,2)", Pow(0, 2), 0},
		{"Pow(0,-2)", Pow(0, -2), inf},
		{"Pow(0,0)", Pow(0, 0), 1},
		{"Pow(-1,2)", Pow(-1, 2), nan},
		{"Pow(2,10)", Pow(2, 10), 1024},
		{"FromDB(-inf)", FromDB(-inf), 0},
		{"FromDB(0)", FromDB(0), 1},
		{"DB(0)", DB(0), -inf},
		{"DB(1)", DB(1), 0},
		{"DB(-1)", DB(-1), nan},
		{"DB(nan)", DB(nan), nan},
		{"Sinh(-1000)", Sinh(-1000), -inf},
		{"Cosh(1000)", Cosh(1000), inf},
		{"Cosh(0)", Cosh(0), 1},
		{"Tanh(-1000)", Tanh(-1000), -1},
		{"Asinh(1e300)", Asinh(1e300), math.Asinh(1e300)},
		{"Sinc(0)", Sinc(0), 1},
		{"Sinc(-7)", Sinc(-7), 0},
		{"Sinc(0.5)", Sinc(0.5), 2 / math.Pi},
		{"Sinc(2.5)", Sinc(2.5), 2 / (5 * math.Pi)},
		{"Sinc(-1.5)", Sinc(-1.5), -2 / (3 * math.Pi)},
		{"Atan2(0,-1)", Atan2(0, -1), math.Pi},
		{"Atan2(-1,0)", Atan2(-1, 0), -math.Pi / 2},
		{"Atan2(0,0)", Atan2(0, 0), 0},
		// Abramowitz and Stegun, table 9.8: e^-x·I0(x) at x = 5 and 10.
		{"I0(0)", BesselI0(0), 1},
		{"I0(5)", BesselI0(5), 27.239871823604442},
		{"I0(10)", BesselI0(10), 2815.716628466254},
	} {
		same := c.got == c.want || math.IsNaN(c.got) && math.IsNaN(c.want)
		if !same && !(math.Abs(c.got-c.want) <= 1e-15*math.Abs(c.want)) {
			t.Errorf("%s = %.17g, want %.17g", c.name, c.got, c.want)
		}
	}
}

func TestAtan2(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	for range 100_000 {
		y, x := random.Float64()-0.5, random.Float64()-0.5
		if got, want := Atan2(y, x), math.Atan2(y, x); math.Abs(got-want) > 1e-15*math.Abs(want) {
			t.Fatalf("Atan2(%g, %g) = %.17g, want %.17g", y, x, got, want)
		}
	}
}

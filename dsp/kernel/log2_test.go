package kernel

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// The reference is the standard library's logarithm; 1.2e-9 of an octave is
// 7.2e-9 dB of an amplitude.
func TestLevelsAgainstStandardLibrary(t *testing.T) {
	random := rand.New(rand.NewPCG(2, 1))
	for _, c := range []struct {
		name    string
		toDB    func(dst, src []float64)
		factor  float64
		floor   float64
		errorDB float64
	}{
		{"amplitudes", AmplitudesToDB, 20, amplitudeFloor, 7.5e-9},
		{"powers", PowersToDB, 10, powerFloor, 3.8e-9},
	} {
		t.Run(c.name, func(t *testing.T) {
			src := make([]float64, 200_000)
			for i := range src {
				src[i] = c.floor * math.Exp2(90*random.Float64())
				if i%2 == 0 {
					src[i] = 0.5 + 2*random.Float64() // around the seam of the mantissa
				}
			}
			dst := make([]float64, len(src))
			c.toDB(dst, src)
			for i, v := range src {
				if want := c.factor * math.Log10(v); !(math.Abs(dst[i]-want) <= c.errorDB) {
					t.Fatalf("%.17g reads %.12f dB, want %.12f", v, dst[i], want)
				}
			}
		})
	}
}

func TestLevelEdges(t *testing.T) {
	floor := 20 * math.Log10(amplitudeFloor)
	for _, c := range []struct{ in, amplitude, power float64 }{
		{1, 0, 0},
		{2, amplitudeOctaveDB, powerOctaveDB},
		{0, floor, floor},
		{math.Copysign(0, -1), floor, floor},
		{-1, floor, floor},
		{5e-324, floor, floor},
		{math.NaN(), floor, floor},
		{math.Inf(-1), floor, floor},
		{math.MaxFloat64, 20 * math.Log10(math.MaxFloat64), 10 * math.Log10(math.MaxFloat64)},
		{math.Inf(1), 1024 * amplitudeOctaveDB, 1024 * powerOctaveDB}, // finite: no NaN can follow
	} {
		a, p := []float64{c.in}, []float64{c.in}
		AmplitudesToDB(a, a)
		PowersToDB(p, p)
		if math.Abs(a[0]-c.amplitude) > 1e-8 || math.Abs(p[0]-c.power) > 1e-8 {
			t.Errorf("%g reads %.9f and %.9f dB, want %.9f and %.9f", c.in, a[0], p[0], c.amplitude, c.power)
		}
	}
	if one := []float64{1}; func() bool { AmplitudesToDB(one, one); return one[0] != 0 }() {
		t.Errorf("full scale reads %g dB, want 0 exactly", one[0])
	}
}

func TestAmplitudesFromLevels(t *testing.T) {
	random := rand.New(rand.NewPCG(2, 2))
	src := make([]float64, 200_000)
	for i := range src {
		src[i] = 400 * (random.Float64() - 0.5)
		if i%2 == 0 {
			src[i] = 14 * (random.Float64() - 0.5)
		}
	}
	dst := make([]float64, len(src))
	DBToAmplitudes(dst, src)
	for i, db := range src {
		want := FromDB(db)
		if e := math.Abs(dst[i]-want) / want; !(e <= 2.1e-9) {
			t.Fatalf("%.15g dB gives %.15g, want %.15g: relative error %.3g", db, dst[i], want, e)
		}
	}
	for _, c := range []struct{ db, want float64 }{
		{0, 1},
		{math.Copysign(0, -1), 1},
		{1e-300, 1},
		{amplitudeOctaveDB, 2},
		{-40 * amplitudeOctaveDB, amplitudeFloor},
	} {
		got := []float64{c.db}
		DBToAmplitudes(got, got)
		if got[0] != c.want {
			t.Errorf("%g dB gives %.17g, want %.17g exactly", c.db, got[0], c.want)
		}
	}
	for _, db := range []float64{math.NaN(), math.Inf(-1), -1e300, math.Inf(1), 1e300} {
		got := []float64{db}
		DBToAmplitudes(got, got)
		if !(got[0] >= 0 && got[0] <= math.MaxFloat64) {
			t.Errorf("%g dB gives %g", db, got[0])
		}
		if silent := !(db > 0); silent && got[0] > 1e-290 {
			t.Errorf("%g dB gives %g, want next to nothing", db, got[0])
		}
	}
}

// A level that is turned into a gain and back must not step where the
// polynomials meet.
func TestLevelsHaveNoSeams(t *testing.T) {
	const n = 40_000
	v := make([]float64, n)
	for i := range v {
		v[i] = -24 + 48*float64(i)/n
	}
	gains := make([]float64, n)
	DBToAmplitudes(gains, v)
	AmplitudesToDB(v, gains)
	for i := 1; i < n; i++ {
		if rise := v[i] - v[i-1]; math.Abs(rise-48./n) > 6e-8 {
			t.Fatalf("at %.4f dB the level rises by %.9f dB, want %.9f", v[i], rise, 48./n)
		}
	}
}

func BenchmarkLevels(b *testing.B) {
	const quantum = 1024
	src, dst := make([]float64, quantum), make([]float64, quantum)
	for i := range src {
		src[i] = float64(i+1) / quantum
	}
	for _, c := range []struct {
		name string
		f    func(dst, src []float64)
	}{{"AmplitudesToDB", AmplitudesToDB}, {"DBToAmplitudes", DBToAmplitudes}} {
		b.Run(c.name, func(b *testing.B) {
			for range b.N {
				c.f(dst, src)
			}
			reportTimesRealTime(b, quantum)
		})
	}
	for _, step := range []int{8, 16} {
		b.Run(fmt.Sprintf("Peaks/%d", step), func(b *testing.B) {
			for range b.N {
				Peaks(dst[:quantum/step], src, step)
			}
			reportTimesRealTime(b, quantum)
		})
		b.Run(fmt.Sprintf("Powers/%d", step), func(b *testing.B) {
			for range b.N {
				Powers(dst[:quantum/step], src, step)
			}
			reportTimesRealTime(b, quantum)
		})
	}
}

// reportTimesRealTime counts each iteration as so many samples at 44.1 kHz.
func reportTimesRealTime(b *testing.B, samples int) {
	b.ReportMetric(float64(b.N*samples)/44100/b.Elapsed().Seconds(), "x-real-time")
}

package spectrum

import (
	"math"
	"testing"
)

// Coefficients against the sums that define them (Davis and Mermelstein 1980,
// HTK Book 5.6), written out with the standard library.
func TestCepstrumAgainstItsDefinition(t *testing.T) {
	for _, rate := range []int{16000, 44100, 48000} {
		const size, filters, n, low, high, floor = 1024, 20, 12, 100.0, 7000.0, 1e-7
		power := make([]float64, size/2+1)
		for k := range power {
			power[k] = 1e-3 * (1 + math.Sin(0.11*float64(k))) / (1 + float64(k*k)/500)
		}
		got := make([]float64, n)
		NewCepstrum(size, rate, filters, n, low, high).Of(got, power, floor)

		mel := func(hz float64) float64 { return 1127 * math.Log(1+hz/700) }
		step := (mel(high) - mel(low)) / (filters + 1)
		for k := 1; k <= n; k++ {
			want := 0.0
			for f := 1; f <= filters; f++ {
				sum := floor
				for b, p := range power {
					m := mel(float64(b) * float64(rate) / size)
					sum += p * max(0, 1-math.Abs(m-mel(low)-step*float64(f))/step)
				}
				want += math.Sqrt(2.0/filters) * math.Log(sum) * math.Cos(math.Pi*float64(k)/filters*(float64(f)-0.5))
			}
			if math.Abs(got[k-1]-want) > 1e-3 { // 1127·ln is HTK's rounding of 2595·log10
				t.Errorf("%d Hz: coefficient %d is %.6f, want %.6f", rate, k, got[k-1], want)
			}
		}
	}
}

// Level is no matter, and neither is what lies under the floor.
func TestCepstrumOfLevels(t *testing.T) {
	c := NewCepstrum(1024, 44100, 24, 12, 100, 7000)
	power, louder, noisy := make([]float64, 513), make([]float64, 513), make([]float64, 513)
	for k := range power {
		power[k] = 1e-4 / (1 + float64((k-60)*(k-60))/400)
		louder[k] = 10 * power[k]
		noisy[k] = power[k] + 1e-13
	}
	a, b := make([]float64, 12), make([]float64, 12)
	c.Of(a, power, 0)
	c.Of(b, louder, 0)
	for k := range a {
		if math.Abs(a[k]-b[k]) > 1e-6 {
			t.Errorf("coefficient %d is %g, and 10 dB louder %g", k+1, a[k], b[k])
		}
	}
	c.Of(a, power, 1e-9)
	c.Of(b, noisy, 1e-9)
	for k := range a {
		if math.Abs(a[k]-b[k]) > 0.01 {
			t.Errorf("coefficient %d is %g, and with noise under the floor %g", k+1, a[k], b[k])
		}
	}
}

func TestCepstrumRefuses(t *testing.T) {
	for name, make := range map[string]func(){
		"as many coefficients as filters": func() { NewCepstrum(1024, 44100, 12, 12, 100, 7000) },
		"over half the rate":              func() { NewCepstrum(1024, 8000, 24, 12, 100, 7000) },
		"filters between bins":            func() { NewCepstrum(64, 44100, 40, 12, 100, 7000) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: no panic", name)
				}
			}()
			make()
		}()
	}
}

func BenchmarkCepstrum(b *testing.B) {
	c := NewCepstrum(2048, 44100, 24, 12, 100, 7000)
	power, out := make([]float64, 1025), make([]float64, 12)
	for b.Loop() {
		c.Of(out, power, 1e-9)
	}
}

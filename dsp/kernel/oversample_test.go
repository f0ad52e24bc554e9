package kernel

import (
	"math"
	"testing"
)

// A sine through Double and Halve comes back as it was up to 0.37 of the rate;
// what Double's new samples get wrong, and what Halve lets through from half the
// rate on, is far below.
func TestDoubleAndHalve(t *testing.T) {
	const n, quantum = 4096, 1024
	for f := 0.005; f < 0.5; f += 0.015 {
		d, h := NewDouble(quantum), NewHalve(quantum)
		x, twice, y := make([]float64, n), make([]float64, 2*n), make([]float64, n)
		for i := range x {
			x[i] = math.Sin(2 * math.Pi * f * float64(i))
		}
		for at := 0; at < n; at += quantum {
			d.Process(twice[2*at:2*(at+quantum)], x[at:at+quantum])
			h.Process(y[at:at+quantum], twice[2*at:2*(at+quantum)])
		}
		var between, back float64
		for i := 200; i < n; i++ {
			want := math.Sin(2 * math.Pi * f * (float64(i-DoubleDelay) + 0.5))
			between = max(between, math.Abs(twice[2*i+1]-want))
			back = max(back, math.Abs(y[i]-x[i-DoubleDelay-HalveDelay]))
			if twice[2*i] != x[i-DoubleDelay] {
				t.Fatalf("%.3f: a sample of the input is changed", f)
			}
		}
		if f <= 0.4 && between > 7.1e-5 {
			t.Errorf("%.3f of the rate: new samples are %.1f dB off", f, DB(between))
		}
		if f <= 0.37 && back > 0.00115 {
			t.Errorf("%.3f of the rate: comes back %.1f dB off", f, DB(back))
		}
		// From half the rate on, up to the whole: f + 1/2 at the lower rate.
		for i := range twice {
			twice[i] = math.Sin(2 * math.Pi * (f + 0.5) / 2 * float64(i))
		}
		h.Reset()
		h.Process(y[:quantum], twice[:2*quantum])
		for _, v := range y[100:quantum] {
			if math.Abs(v) > 1e-4 {
				t.Errorf("%.3f of the rate passes at %.1f dB", f+0.5, DB(math.Abs(v)))
				break
			}
		}
	}
}

func BenchmarkDoubleAndHalve(b *testing.B) {
	x, twice := make([]float64, 1024), make([]float64, 2048)
	for i := range x {
		x[i] = math.Sin(float64(i))
	}
	d, h := NewDouble(1024), NewHalve(1024)
	for b.Loop() {
		d.Process(twice, x)
		h.Process(x, twice)
	}
	b.ReportMetric(float64(b.N)*1024/44100/b.Elapsed().Seconds(), "x-real-time")
}

package resample

import (
	"fmt"
	"testing"
)

func BenchmarkWrite(b *testing.B) {
	for _, c := range [][2]int{{48000, 44100}, {44100, 48000}, {96000, 44100}, {192000, 48000}, {22050, 44100}} {
		b.Run(fmt.Sprintf("%d-%d", c[0], c[1]), func(b *testing.B) {
			r, err := New(c[0], c[1])
			if err != nil {
				b.Fatal(err)
			}
			x := make([]float64, c[0])
			for i := range x {
				x[i] = float64(i%100) / 100
			}
			for b.Loop() {
				r.Write(x, func([]float64) {})
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
		})
	}
}

func BenchmarkNew(b *testing.B) {
	for b.Loop() {
		if _, err := New(48000, 44100); err != nil {
			b.Fatal(err)
		}
	}
}

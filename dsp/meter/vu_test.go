package meter

import (
	"fmt"
	"math"
	"testing"
)

// needle is the course of a VU's needle against a signal, once a millisecond.
func needle(rateHz int, x []float64) []float64 {
	v := NewVU(rateHz)
	var all []float64
	for from := 0; from+v.step <= len(x); from += v.step {
		v.Write(x[from : from+v.step])
		all = append(all, v.Needle())
	}
	return all
}

// TestVUStep holds the meter to IEC 60268-17: a steady sine reads its RMS, 99 % of
// it after 300 ms, 1 to 1.5 % more at the top, which a low-pass of second order
// with these figures reaches after 399 ms, and the fall is as the rise.
func TestVUStep(t *testing.T) {
	for _, rate := range []int{8000, 22050, 44100, 48000, 96000} {
		for _, hz := range []float64{397, 997} {
			t.Run(fmt.Sprintf("IEC 60268-17 step, %v Hz at rate %d", hz, rate), func(t *testing.T) {
				x := make([]float64, 6*rate)
				for i := range 3 * rate {
					x[i] = 0.1 * math.Sqrt2 * math.Sin(2*math.Pi*hz*float64(i)/float64(rate))
				}
				all := needle(rate, x)
				perStep := float64(rate+500-(rate+500)%1000) / 1000 / float64(rate) // s
				at := func(s float64) float64 { return all[int(math.Round(s/perStep))-1] / 0.1 }
				top, when := 0.0, 0.0
				for i, v := range all {
					if v > top {
						top, when = v, float64(i+1)*perStep
					}
				}
				near(t, "after 300 ms", at(0.3), 0.99, 0.002)
				near(t, "overshoot", top/0.1, 1.0125, 0.0025)
				near(t, "time of the flat top", when, 0.399, 0.015)
				near(t, "steady", at(2.9), 1, 0.001)
				near(t, "300 ms after its end", 1-at(3.3), 0.99, 0.002)
			})
		}
	}
}

// TestVUReads holds what is printed: 0 VU is a sine with peaks at −20 dBFS, and
// other waves are read by their average, not their RMS. Of a sine sampled 48 times
// a period the average is 0.012 dB low.
func TestVUReads(t *testing.T) {
	const rate = 48000
	for _, c := range []struct {
		name string
		wave func(phase float64) float64
		want float64 // VU, of the steady wave at a peak of −20 dBFS
	}{
		{"sine", func(p float64) float64 { return math.Sin(2 * math.Pi * p) }, 0},
		{"square", func(p float64) float64 { return math.Copysign(1, p-0.5) }, 20 * math.Log10(math.Pi/2)},
		{"triangle", func(p float64) float64 { return 1 - 4*math.Abs(p-0.5) }, 20 * math.Log10(math.Pi/4)},
		{"silence", func(p float64) float64 { return 0 }, math.Inf(-1)},
	} {
		v, blocks := NewVU(rate), NewVU(rate)
		x := make([]float64, 3*rate)
		for i := range x {
			x[i] = 0.1 * c.wave(float64(i%48)/48)
		}
		v.Write(x)
		for from := 0; from < len(x); from += 1000 {
			blocks.Write(x[from : from+1000])
		}
		if got := float64(InVU(v.Needle())); math.Abs(got-c.want) > 0.02 && got != c.want {
			t.Errorf("%s: %.3f VU, want %.3f", c.name, got, c.want)
		}
		// 1.25 % are 0.108 dB.
		if got := float64(v.Highest()); math.Abs(got-c.want-0.108) > 0.02 && got != c.want {
			t.Errorf("%s: highest %.3f VU, want %.3f", c.name, got, c.want+0.108)
		}
		if v.Needle() != blocks.Needle() {
			t.Errorf("%s: blocks of another length move the needle to %v, not %v", c.name, blocks.Needle(), v.Needle())
		}
	}
}

package meter

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// spokenFor fills seconds of x with what varies as speech does.
func spokenFor(x []float64, rate int, from, to float64, rng *rand.Rand) {
	for i := int(from * float64(rate)); i < int(to*float64(rate)); i++ {
		x[i] += 0.1 * (0.6 + 0.4*math.Sin(float64(i)*40/float64(rate))) * rng.NormFloat64()
	}
}

// TestPauses: pauses are found where they are, to some hundredths, clicks in
// them or not; short ones and breaths of speech are none.
func TestPauses(t *testing.T) {
	for _, rate := range []int{22050, 44100, 48000, 96000} {
		rng := rand.New(rand.NewPCG(1, uint64(rate)))
		x := make([]float64, 30*rate)
		for i := range x {
			x[i] = 0.0005 * rng.NormFloat64()
		}
		at := 0.0
		want := [][2]float64{{5, 5.5}, {9, 10.2}, {15, 15.31}, {20, 23}}
		for _, p := range append(want, [2]float64{30, 30}) {
			spokenFor(x, rate, at, p[0], rng)
			at = p[1]
		}
		for i := 0; i < rate/100; i++ { // a click
			x[int(9.5*float64(rate))+i] += 0.2 * rng.NormFloat64()
		}
		for i := int(12 * float64(rate)); i < int(12.2*float64(rate)); i++ { // too short
			x[i] *= 0.005
		}
		p := NewPauses(rate)
		for n := 0; n < len(x); n += 777 {
			p.Write(x[n:min(len(x), n+777)])
		}
		got := p.Result()
		if len(got) != len(want) {
			t.Fatalf("%d Hz: %s, want %v", rate, said(got, rate), want)
		}
		for i, w := range want {
			if math.Abs(got[i].From.Seconds(rate)-w[0]) > 0.03 || math.Abs(got[i].To.Seconds(rate)-w[1]) > 0.03 {
				t.Errorf("%d Hz: %s, want %v", rate, said(got, rate), want)
			}
		}
	}
}

func said(all []Window, rate int) (s string) {
	for _, w := range all {
		s += fmt.Sprintf("%.2f-%.2f ", w.From.Seconds(rate), w.To.Seconds(rate))
	}
	return s
}

// TestNoPauses: what is all speech, all room or nothing has none.
func TestNoPauses(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([]float64, 5*44100)
	for name, fill := range map[string]func(){
		"silence": func() {},
		"room": func() {
			for i := range x {
				x[i] = 0.001 * rng.NormFloat64()
			}
		},
		"speech": func() { clear(x); spokenFor(x, 44100, 0, 5, rng) },
	} {
		fill()
		p := NewPauses(44100)
		p.Write(x)
		if got := p.Result(); len(got) > 0 {
			t.Errorf("%s: %s", name, said(got, 44100))
		}
	}
	if got := NewPauses(44100).Result(); got != nil {
		t.Error("pauses of nothing")
	}
}

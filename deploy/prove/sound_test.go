package main

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"chapterhouse/dsp"
)

// The judges of the sound proof, on what is known.

func TestOversampler(t *testing.T) {
	o := newOversampler()
	for _, f := range []float64{0.01, 0.25, 0.41, 0.46} {
		x := make([]float64, 3000)
		for i := range x {
			fade := math.Min(1, float64(min(i, len(x)-1-i))/800)
			x[i] = 0.5 * fade * math.Sin(2*math.Pi*f*float64(i)+1)
		}
		unseen := -inDB(math.Cos(math.Pi * f / judgePhases)) // between its points, ITU-R BS.1770-5 Annex 2
		if got := o.peakDB(x) + 6.0206; got > 0.005 || got < -unseen-0.005 {
			t.Errorf("%g of the rate reads %.4f dB", f, got)
		}
	}
}

func TestTakeSine(t *testing.T) {
	x := sineWave(997, -6, 44100, 44100)
	for i, v := range sineWave(1994, -40, 44100, 44100) {
		x[i] += v
	}
	if a, b := inDB(takeSine(x, 997, 44100)), inDB(takeSine(x, 1994, 44100)); math.Abs(a+6) > 1e-9 || math.Abs(b+40) > 1e-9 || rmsDB(x) > -250 {
		t.Errorf("%.3f and %.3f dBFS, %.1f left", a, b, rmsDB(x))
	}
}

// A processor that is off by a hair is found out.
func TestDeviation(t *testing.T) {
	for _, c := range []struct {
		scale float64
		met   bool
	}{{1, true}, {1.0001, true}, {1.0002, false}, {0.999, false}} {
		h := impulseResponse([]dsp.Processor{scaler(c.scale)}, 44100, rand.New(rand.NewPCG(1, 1)))
		var d deviation
		for hz := 20.0; hz < 20000; hz *= 2 {
			d.add(fourier(h, hz, 44100), 0, 0)
		}
		var tab table
		d.hold(&tab, "scaled")
		if tab.met() != c.met {
			t.Errorf("times %g: %s", c.scale, tab.rows[0].measured)
		}
	}
}

type scaler float64

func (s scaler) Process(block []float64) {
	for i := range block {
		block[i] *= float64(s)
	}
}
func (scaler) Latency() int { return 0 }
func (scaler) Reset()       {}

// The prototype has the levels that a Butterworth filter has by definition.
func TestPrototype(t *testing.T) {
	qs := []float64{0.541196, 1.306563}
	for hz, want := range map[float64]float64{1000: -3.0103, 20: -130} {
		got := inDB(cmplx.Abs(prototype(qs, 4, true, hz, 1000, 44100)))
		if hz == 1000 && math.Abs(got-want) > 1e-4 || got > want+0.001 {
			t.Errorf("%g Hz: %.4f dB", hz, got)
		}
	}
}

// Every stage that the proof writes can be made.
func TestStaged(t *testing.T) {
	if _, err := staged("  - gain: {gain_db: 99}\n", 44100, -80); err == nil {
		t.Error("a stage out of range is made")
	}
	s := &site{order: order{root: "../.."}}
	rows, err := s.published("filter_checkpoints.csv")
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows {
		if _, err := tabled(row); err != nil {
			t.Errorf("%s: %v", row["filter_id"], err)
		}
	}
}

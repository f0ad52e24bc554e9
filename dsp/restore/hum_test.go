package restore_test

import (
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/restore"
	"chapterhouse/dsp/spectrum"
)

// tone is a room tone of one level in every sixth octave.
func tone(level dsp.DBFS) []dsp.DBFS {
	bands := make([]dsp.DBFS, len(spectrum.SixthOctaves()))
	for i := range bands {
		bands[i] = level
	}
	return bands
}

func newHum(t testing.TB, s restore.HumSettings, rateHz float64) dsp.Processor {
	t.Helper()
	h, err := restore.NewHum(s, rateHz)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// drifting is hum of eight harmonics from 50.1 Hz on, 0.2 Hz a minute, and the
// course of its frequency, a point in 10 s.
func drifting(rateHz, peak float64, n int) (x []float64, points []meter.MainsPoint) {
	const hz, drift = 50.1, 0.2 / 60
	x = make([]float64, n)
	for i := range x {
		at := float64(i) / rateHz
		turns := hz*at + drift*at*at/2
		for k := 1; k <= 8; k++ {
			x[i] += peak / float64(k) * math.Sin(2*math.Pi*float64(k)*turns+float64(k*k))
		}
	}
	for s := 0.0; s < float64(n)/rateHz+10; s += 10 {
		points = append(points, meter.MainsPoint{At: dsp.Frames(s * rateHz), Hz: hz + drift*s})
	}
	return x, points
}

func TestHumKeepsTheContract(t *testing.T) {
	for _, rate := range []float64{44100, 96000} {
		_, points := drifting(rate, 0, int(10*rate))
		s := restore.HumSettings{UpToHz: 1000, Points: points, RoomTone: tone(-70)}
		make := func() dsp.Processor { return newHum(t, s, rate) }
		dsptest.Exercise(t, rate, make)
		dsptest.Settle(t, rate, make, s.Settle(rate))
	}
}

// withHum is narration-like sound, with pauses, that hum and a hiss are added to.
func withHum(rateHz float64, hum []float64) (clean, x []float64) {
	clean = dsptest.Speechlike(31, len(hum), rateHz)
	noise := dsptest.Noise(32, len(hum))
	x = make([]float64, len(hum))
	for i := range x {
		clean[i] += 1e-4 * noise[i]
		x[i] = clean[i] + hum[i]
	}
	return clean, x
}

// harmonicDB is the level of one harmonic over a stretch, of what turns with the
// drifting hum.
func harmonicDB(x []float64, from int, rateHz float64, k int) float64 {
	var re, im float64
	for i, v := range x {
		at := float64(from+i) / rateHz
		p := 2 * math.Pi * float64(k) * (50.1*at + 0.2/60*at*at/2)
		re += v * math.Cos(p)
		im += v * math.Sin(p)
	}
	return kernel.DB(2 * math.Hypot(re, im) / float64(len(x)))
}

// Every harmonic that stands out goes down by 15 dB and more, at once and at the
// end of half a minute in which the mains drift.
func TestHumIsSubtracted(t *testing.T) {
	for _, rate := range []float64{44100, 96000} {
		hum, points := drifting(rate, 0.002, int(32*rate))
		clean, x := withHum(rate, hum)
		y := through(newHum(t, restore.HumSettings{UpToHz: 1000, Points: points, RoomTone: tone(-54)}, rate), x)
		left := make([]float64, len(x))
		for i := range left {
			left[i] = y[i] - clean[i]
		}
		for _, from := range []float64{0, 8, 28} {
			a, b := int(from*rate), int((from+4)*rate)
			for k := 1; k <= 8; k++ {
				if down := harmonicDB(hum[a:b], a, rate, k) - harmonicDB(left[a:b], a, rate, k); down < 15 {
					t.Errorf("at %g Hz, from %g s: harmonic %d is %.1f dB down", rate, from, k, down)
				}
			}
		}
	}
}

// A course that is off by 0.01 Hz, to one side and then the other, costs nothing
// that matters, though the eighth harmonic turns by a sixth of a circle in 2 s of it.
func TestHumMendsItsCourse(t *testing.T) {
	const rate = 44100
	hum, points := drifting(rate, 0.002, 40*rate)
	for i := range points {
		points[i].Hz += []float64{0.01, 0.01, -0.01, -0.01}[i%4]
	}
	clean, x := withHum(rate, hum)
	y := through(newHum(t, restore.HumSettings{UpToHz: 1000, Points: points, RoomTone: tone(-54)}, rate), x)
	left := make([]float64, len(x))
	for i := range left {
		left[i] = y[i] - clean[i]
	}
	for _, from := range []int{4, 13, 23, 33} {
		a, b := from*rate, (from+4)*rate
		for k := 1; k <= 8; k++ {
			if down := harmonicDB(hum[a:b], a, rate, k) - harmonicDB(left[a:b], a, rate, k); down < 15 {
				t.Errorf("from %d s: harmonic %d is %.1f dB down", from, k, down)
			}
		}
	}
}

// A voice that stays on a harmonic keeps its level, though nothing but its
// strength tells it from hum.
func TestHumLeavesVoicesAlone(t *testing.T) {
	const rate = 44100
	for _, f := range []float64{100.2, 120} {
		hz := 50.1
		if f == 120 {
			hz = 60
		}
		n := 30 * rate
		voice, x := make([]float64, n), make([]float64, n)
		noise := dsptest.Noise(5, n)
		for i := range x {
			at := float64(i) / rate
			if s := math.Mod(at, 6); s < 5 { // held 5 s of 6
				fade := min(1, 20*s, 20*(5-s))
				for k := 1; k <= 6; k++ {
					voice[i] += fade * 0.05 / float64(k) * math.Sin(2*math.Pi*f*float64(k)*at+float64(k))
				}
			}
			x[i] = voice[i] + 3e-5*noise[i] + 0.0005*math.Sin(2*math.Pi*2*hz*at) + 0.0005*math.Sin(2*math.Pi*hz*at)
		}
		y := through(newHum(t, restore.HumSettings{UpToHz: 1000, Points: []meter.MainsPoint{{At: 0, Hz: hz}}, RoomTone: tone(-69)}, rate), x)
		for from := 6.5; from < 24; from += 6 {
			a, b := int(from*rate), int((from+4)*rate)
			for k := 1; k <= 6; k++ {
				level := func(v []float64) float64 {
					var re, im float64
					for i := a; i < b; i++ {
						p := 2 * math.Pi * f * float64(k) * float64(i) / rate
						re += v[i] * math.Cos(p)
						im += v[i] * math.Sin(p)
					}
					return kernel.DB(math.Hypot(re, im))
				}
				if d := level(y) - level(voice); math.Abs(d) > 0.3 {
					t.Errorf("%g Hz, from %g s: harmonic %d of the voice changes by %.2f dB", f, from, k, d)
				}
			}
		}
	}
}

// Without a course, or a room tone to hold it against, the bits stay.
func TestNoHumKeepsTheBits(t *testing.T) {
	const rate = 44100
	_, points := drifting(rate, 0, rate)
	x := dsptest.Speechlike(4, 5*rate, rate)
	for name, s := range map[string]restore.HumSettings{
		"no points": {UpToHz: 1000, RoomTone: tone(-70)}, "no room tone": {UpToHz: 1000, Points: points},
	} {
		y := through(newHum(t, s, rate), x)
		for i := range x {
			if math.Float64bits(x[i]) != math.Float64bits(y[i]) {
				t.Fatalf("%s: sample %d is %g, was %g", name, i, y[i], x[i])
			}
		}
	}
}

func TestHumRefuses(t *testing.T) {
	for _, s := range []restore.HumSettings{{UpToHz: 50}, {UpToHz: 5000}, {UpToHz: math.NaN()}, {UpToHz: 1000, Points: []meter.MainsPoint{{Hz: 20}}}} {
		if _, err := restore.NewHum(s, 44100); err == nil {
			t.Errorf("%+v is taken", s)
		}
	}
}

// Twenty harmonics, as times real time.
func BenchmarkHum(b *testing.B) {
	const rate = 44100
	hum, points := drifting(rate, 0.002, 10*rate)
	_, x := withHum(rate, hum)
	h := newHum(b, restore.HumSettings{UpToHz: 1000, Points: points, RoomTone: tone(-54)}, rate)
	block := make([]float64, dsp.Quantum)
	b.ReportAllocs()
	at := 0
	for b.Loop() {
		copy(block, x[at:at+dsp.Quantum])
		if at += dsp.Quantum; at+dsp.Quantum > len(x) {
			at = 0
		}
		h.Process(block)
	}
	b.ReportMetric(float64(b.N)*dsp.Quantum/rate/b.Elapsed().Seconds(), "x_real_time")
}

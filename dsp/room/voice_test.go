package room

import (
	"math"
	"math/rand/v2"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
)

// spoken is a voice made of pulses whose pitch glides, with two formants that move
// from vowel to vowel and lips that close, in phrases with pauses between, through resonances and over
// soft noise. It returns where phrases and pauses are.
func spoken(seed uint64, rateHz int, phrases int, lowHz, highHz float64, resonances []Peak) (x []float64, said, quiet []meter.Window) {
	random := rand.New(rand.NewPCG(seed, 9))
	rate := float64(rateHz)
	between := func(a, b float64) float64 { return a + (b-a)*random.Float64() }
	for range phrases {
		from := dsp.Frames(len(x))
		for range 6 {
			n := int(between(0.12, 0.3) * rate)
			start, end := between(lowHz, highHz), between(lowHz, highHz)
			f1, f2 := between(280, 750), between(900, 2000)
			size := between(0.4, 1)
			var phase, a1, a2, b1, b2 float64
			for i := range n {
				share := float64(i) / float64(n)
				phase += (start + (end-start)*share) / rate
				pulse := 0.0
				if phase >= 1 {
					phase--
					pulse = size * min(1, 6*share)
				}
				one := func(in, hz, wide float64, y1, y2 *float64) float64 {
					r := math.Exp(-math.Pi * wide / rate)
					y := in*(1-r) + 2*r*math.Cos(2*math.Pi*hz/rate)**y1 - r*r**y2
					*y2, *y1 = *y1, y
					return y
				}
				x = append(x, one(one(pulse, f1, 70, &a1, &a2), f2, 110, &b1, &b2))
			}
			x = append(x, make([]float64, int(between(0.05, 0.1)*rate))...) // lips close
		}
		to := dsp.Frames(len(x))
		said = append(said, meter.Window{From: from, To: to})
		pause := int(between(0.7, 1) * rate)
		x = append(x, make([]float64, pause)...)
		quiet = append(quiet, meter.Window{From: to + dsp.Frames(0.35*rate), To: dsp.Frames(len(x))})
	}
	for _, p := range resonances {
		ring(x, p, rate)
	}
	level := 0.0
	for _, v := range x {
		level = max(level, math.Abs(v))
	}
	for i := range x {
		x[i] = x[i]/level + 3e-5*random.NormFloat64()
	}
	return x, said, quiet
}

// TestVoice: resonances are told by what stays, by what goes on and by how long it
// rings, each by itself; a voice without a room has none of which all three hold.
func TestVoice(t *testing.T) {
	for _, c := range []struct {
		what      string
		rateHz    int
		low, high float64
		rings     []Peak
	}{
		{"a low voice", 44100, 85, 150, []Peak{{118, 20, 12}, {240, 25, 12}}},
		{"a high voice", 48000, 170, 300, []Peak{{210, 22, 12}}},
	} {
		x, said, quiet := spoken(11, c.rateHz, 14, c.low, c.high, c.rings)
		v := NewVoice(x, c.rateHz, said, quiet)
		still, tails := v.Still(), v.Tails()
		for _, p := range c.rings {
			q, longer := v.Ring(p.Hz)
			if s, a := still.Over(p.Hz, 0.04), tails.Over(p.Hz, 0.04); s < 2 || a < 3 || q < 10 || longer < 1.5 {
				t.Errorf("%s: %.0f Hz stays %.1f dB high, goes on %.1f dB high, rings as Q %.1f, %.1f times as long", c.what, p.Hz, s, a, q, longer)
			}
		}
		x, said, quiet = spoken(12, c.rateHz, 14, c.low, c.high, nil)
		v = NewVoice(x, c.rateHz, said, quiet)
		still, tails = v.Still(), v.Tails()
		for _, p := range append(still.Peaks(1.5), tails.Peaks(3)...) {
			q, longer := v.Ring(p.Hz)
			if p.Hz >= c.low && still.Over(p.Hz, 0.04) >= 1 && tails.Over(p.Hz, 0.04) >= 3 && q >= 10 && longer >= 1.5 {
				t.Errorf("%s in the open: %+v, rings as Q %.1f, %.1f times as long", c.what, p, q, longer)
			}
		}
		low, high := v.Pitches()
		if low < c.low/1.03 || high > c.high*1.03 || high < 1.3*low {
			t.Errorf("%s: pitches from %.0f to %.0f Hz", c.what, low, high)
		}
	}
}

// TestSilence: without voice, or without sound, nothing is told.
func TestSilence(t *testing.T) {
	for what, x := range map[string][]float64{"nothing": nil, "silence": make([]float64, 44100)} {
		v := NewVoice(x, 44100, []meter.Window{{From: 0, To: dsp.Frames(len(x))}}, nil)
		if q, _ := v.Ring(100); v.Still() != nil || v.Tails() != nil || q != 0 {
			t.Errorf("%s: still %v, tails %v, rings as Q %g", what, v.Still(), v.Tails(), q)
		}
	}
}

// TestPitch: sines of several harmonics, at both ends of the range.
func TestPitch(t *testing.T) {
	for _, hz := range []float64{66, 87, 110, 163, 240, 350} {
		x := make([]float64, 44100)
		for i := range x {
			for k := 1; float64(k)*hz < 3000; k++ {
				x[i] += math.Cos(2*math.Pi*hz*float64(k*i)/44100+float64(k)) / float64(k)
			}
		}
		low, rate := lowered(x, 44100)
		if got := pitchAt(low, len(low)/2, rate); math.Abs(got/hz-1) > 0.01 {
			t.Errorf("%.2f Hz, want %.0f", got, hz)
		}
	}
}

// TestEquations: a course that equations describe is found again.
func TestEquations(t *testing.T) {
	e := newEquations(courseSize)
	want := func(hz float64) float64 { return 6 * math.Sin(6*math.Log2(hz)) }
	for hz := 55.0; hz < 550; hz *= 1.001 {
		a, b := newKnot(hz), newKnot(hz*1.01)
		b.low, b.high = -0.9*b.low, -0.9*b.high
		e.add(1e6, want(hz)-0.9*want(hz*1.01), a, b)
		a, b = newKnot(hz*1.01), newKnot(hz)
		b.low, b.high = -0.9*b.low, -0.9*b.high
		e.add(1e6, want(hz*1.01)-0.9*want(hz), a, b)
	}
	got := e.solve()
	for hz := 60.0; hz < 540; hz *= 1.1 {
		within(t, "course", newKnot(hz).of(got), want(hz), 0.3)
	}
}

package check

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/pipeline"
)

// hear gives x to a check in blocks of a size.
func hear(c Check, rateHz int, x []float64, size int) []Stretch {
	l := c.Listen(Part{RateHz: rateHz})
	for at := 0; at < len(x); at += size {
		l.Hear(x[at:min(at+size, len(x))])
	}
	return l.Heard()
}

// quantised is x as a converter of some bits gives it.
func quantised(x []float64, bits int) []float64 {
	out, steps := make([]float64, len(x)), float64(int(1)<<(bits-1))
	for i, v := range x {
		out[i] = max(-1, min(1-1/steps, math.Round(v*steps)/steps))
	}
	return out
}

func sine(rateHz int, hz, peak float64, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = peak * math.Sin(2*math.Pi*hz*float64(i)/float64(rateHz)+0.3)
	}
	return x
}

// held is x held at a level, as a converter holds it at its end.
func held(x []float64, at float64) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = max(-at, min(at, v))
	}
	return out
}

// What is loud and whole isn't called clipped, though rounding makes equal
// samples of its tops: a few at low tones and high rates.
func TestWholeIsNotClipped(t *testing.T) {
	for _, rate := range []int{44100, 48000, 96000, 192000} {
		for _, bits := range []int{16, 24} {
			for _, hz := range []float64{41, 60, 82.4, 110, 220, 440, 997, 3150, 11025} {
				for _, peak := range []float64{1 - 1.0/32768, 0.9, 0.501} {
					x := quantised(sine(rate, hz, peak, rate), bits)
					if found := hear(clipped(), rate, x, 4096); len(found) > 0 {
						t.Errorf("a sine of %g Hz and %.3f at %d Hz, %d bits: %+v", hz, peak, rate, bits, found[0])
					}
				}
			}
			for seed := range uint64(3) {
				x := dsptest.Speechlike(seed, 6*rate, float64(rate))
				var top float64
				for _, v := range x {
					top = max(top, math.Abs(v))
				}
				for i := range x {
					x[i] *= (1 - 1.0/32768) / top
				}
				if found := hear(clipped(), rate, quantised(x, bits), 4096); len(found) > 0 {
					t.Errorf("loud speech at %d Hz, %d bits: %+v", rate, bits, found[0])
				}
			}
		}
	}
}

// Planted flat tops are found where they are, within 20 ms, at any level from
// -6 dBFS on, in every word length, and nothing else is.
func TestClipped(t *testing.T) {
	for _, rate := range []int{44100, 48000, 96000} {
		for _, bits := range []int{16, 24} {
			for _, at := range []float64{1 - 1.0/32768, 0.891, 0.5012} {
				x := dsptest.Speechlike(3, 10*rate, float64(rate))
				scale := 0.45 * at / 0.5
				for i := range x {
					x[i] = max(-0.45*at, min(0.45*at, x[i]*scale)) // under the limit, and not at one value there: dithered
					x[i] += 1e-4 * math.Sin(float64(i))
				}
				places := []float64{1.5, 3.25, 7.125, 8.2} // seconds
				const lengthS = 0.1
				for _, s := range places {
					from := int(s * float64(rate))
					for i, v := range held(sine(rate, 180, at*1.6, int(lengthS*float64(rate))), at) {
						x[from+i] = v
					}
				}
				x = quantised(x, bits)
				found := hear(clipped(), rate, x, 4096)
				if len(found) != len(places) {
					t.Errorf("%d Hz, %d bits, at %.3f: %d places, want %d: %+v", rate, bits, at, len(found), len(places), found)
					continue
				}
				for i, s := range found {
					from, to := s.From.Seconds(rate), s.To.Seconds(rate)
					if math.Abs(from-places[i]) > 0.02 || math.Abs(to-places[i]-lengthS) > 0.02 {
						t.Errorf("%d Hz, %d bits: found %.3f to %.3f s, planted %.3f to %.3f", rate, bits, from, to, places[i], places[i]+lengthS)
					}
					if want := fmt.Sprintf("at %.1f dBFS", 20*math.Log10(at)); s.Weight != pipeline.Listen || !strings.Contains(s.Measured, want) || s.Do == "" || s.Limit == "" ||
						s.Unit != "samples" || !strings.HasPrefix(s.Measured, fmt.Sprintf("%g samples", s.Value)) {
						t.Errorf("found %+v, want %q", s, want)
					}
				}
			}
		}
	}
}

// The limits of what is a flat top: three samples and not two, from half of
// full scale on, and places half a second apart are two.
func TestClippedAtItsLimits(t *testing.T) {
	const rate = 48000
	top := func(run int, at float64) []float64 {
		x := scaledNoise(1, rate, 0.1)
		for i := range run {
			x[rate/2+i] = at
		}
		return x
	}
	for _, c := range []struct {
		name string
		x    []float64
		want int
	}{
		{"two samples", top(2, 0.9), 0}, {"three samples", top(3, 0.9), 1}, {"a hundred", top(100, -0.9), 1},
		{"at half of full scale", top(5, 0.5), 1}, {"under it", top(5, 0.4999), 0},
		{"at the very start", append([]float64{1, 1, 1}, scaledNoise(1, rate, 0.1)...), 1},
		{"at the very end", append(scaledNoise(1, rate, 0.1), -1, -1, -1), 1},
		{"0.49 s apart", append(append(top(4, 0.9)[:rate/2+10], scaledNoise(1, rate*49/100-10, 0.1)...), 0.9, 0.9, 0.9, 0), 1},
		{"0.51 s apart", append(append(top(4, 0.9)[:rate/2+10], scaledNoise(1, rate*51/100, 0.1)...), 0.9, 0.9, 0.9, 0), 2},
		{"three samples under the extreme", append(top(3, 0.9), 0.95, 0), 0},
		{"six samples under the extreme", append(top(6, 0.9), 0.95, 0), 1},
		{"twice three within half a second", append(append(top(3, 0.9)[:rate/2+3], 0.1, -0.8, -0.8, -0.8, 0), 0.95, -0.95, 0), 1},
		{"three at the lower extreme", append(top(3, -0.9), 0.95, 0), 1},
		{"up, then down", append(top(3, 0.9)[:rate/2+3], -0.9, -0.9, -0.9, 0), 1},
	} {
		if found := hear(clipped(), rate, c.x, 4096); len(found) != c.want {
			t.Errorf("%s: %d places, want %d: %+v", c.name, len(found), c.want, found)
		}
	}
}

func scaledNoise(seed uint64, n int, scale float64) []float64 {
	x := dsptest.Noise(seed, n)
	for i := range x {
		x[i] *= scale
	}
	return x
}

// Planted silence is found where it is, to the sample; what is under 50 ms, or
// at an end, where room tone is laid anew, is not.
func TestDigitalSilence(t *testing.T) {
	for _, rate := range []int{44100, 48000, 96000} {
		at := func(s float64) int { return int(math.Round(s * float64(rate))) }
		for _, value := range []float64{0, 0.013, -0.5} {
			x := scaledNoise(2, 10*rate, 0.001)
			still := func(from, to float64) {
				for i := at(from); i < at(to); i++ {
					x[i] = value
				}
			}
			still(0, 0.4)
			still(2, 2.049) // too short
			still(3, 3.05)
			still(5, 6.25)
			still(9.7, 10)
			found := hear(digitalSilence(), rate, x, 4096)
			want := []Stretch{{From: dsp.Frames(at(3)), To: dsp.Frames(at(3.05))}, {From: dsp.Frames(at(5)), To: dsp.Frames(at(6.25))}}
			if len(found) != len(want) {
				t.Fatalf("%d Hz, %g: %+v, want %+v", rate, value, found, want)
			}
			for i, s := range found {
				if s.From != want[i].From || s.To != want[i].To || s.Weight != pipeline.Listen || s.Do == "" {
					t.Errorf("%d Hz, %g: %+v, want %+v", rate, value, s, want[i])
				}
			}
			if found[1].Measured != "1.25 s without any room" || found[1].Limit != "0.05 s" {
				t.Errorf("%+v", found[1])
			}
		}
		for name, x := range map[string][]float64{
			"nothing": nil, "all silent": make([]float64, rate), "all one value": held(sine(rate, 1, 99, 2), 0.1),
			"noise": scaledNoise(1, rate, 1e-6), "16-bit noise at the last step": quantised(scaledNoise(1, rate, 1.0/32768), 16),
		} {
			if found := hear(digitalSilence(), rate, x, 999); len(found) > 0 {
				t.Errorf("%s: %+v", name, found)
			}
		}
	}
}

// spoilt is eight bursts that all checks find something in: alike to the last
// peak, nothing between them, nothing above a third of the rate, one cut flat.
func spoilt(rate int) []float64 {
	x := make([]float64, 8*rate)
	burst := sine(rate, 997, 0.5, rate*7/10)
	for hz := 300.0; hz < float64(rate)/3; hz += 90 {
		for i, v := range sine(rate, hz+hz*hz/1e6, 0.002, len(burst)) {
			burst[i] += v
		}
	}
	peak := 0.0
	for _, v := range burst {
		peak = max(peak, math.Abs(v))
	}
	for _, at := range []int{5, 3, 2} { // clicks of one height
		burst[len(burst)/at] = 1.4 * peak
	}
	for s := range 8 {
		copy(x[s*rate+rate/5:], burst)
	}
	for i := 3 * rate; i < 4*rate; i++ {
		x[i] = max(-peak, min(peak, 1.3*x[i]))
	}
	return x
}

// A recording that a check finds something in.
type recording struct {
	Part
	x     []float64
	right []float64 // nil: one channel
}

// faulty are recordings by check; the others find something in what is spoilt.
func faulty(t *testing.T, name string) recording {
	if make, ok := map[string]func() recording{
		"low-rate":       func() recording { return recording{x: spoilt(22050), Part: Part{RateHz: 22050}} },
		"too-short":      func() recording { return recording{x: spoilt(44100)[:3*44100], Part: Part{RateHz: 44100}} },
		"floor-change":   func() recording { return roomThatChanges(1.5) },
		"room-tone-jump": func() recording { return roomThatChanges(0) },
		"drift":          aDrift,
		"channels":       aLostSide,
		"hum":            aHum,
		"clicks":         impulses,
		"mouth-noise":    impulses,
		"plosives":       impulses,
		"esses":          hissing,
		"dropout":        impulses,
		"repeated-take": func() recording {
			return aReread(t, "Her brother wanted to know about the seventh key. [pause 1.1] Her brother wanted to know about the seventh key.")
		},
		"false-start": func() recording {
			return aReread(t, "The tall sailor folded. [pause 0.7] The tall sailor folded the letter and looked away across the square.")
		},
	}[name]; ok {
		return make()
	}
	return recording{x: spoilt(44100), Part: Part{RateHz: 44100}}
}

// How a recording is cut into blocks changes nothing, and asking twice neither.
func TestListenersAnyBlocks(t *testing.T) {
	for _, c := range Builtin() {
		if c.Listen == nil {
			continue
		}
		r := faulty(t, c.Name)
		hear := func(size int) []pipeline.Finding {
			e := NewEars([]Check{c}, r.Part)
			for at := 0; at < len(r.x); at += size {
				to := min(at+size, len(r.x))
				ch := [][]float64{r.x[at:to]}
				if r.right != nil {
					ch = append(ch, r.right[at:to])
				}
				e.Hear(r.x[at:to], ch)
			}
			found := e.Heard()
			for i, l := range e.all {
				if first, second := l.Heard(), l.Heard(); !reflect.DeepEqual(first, second) {
					t.Errorf("%s says something else when it is asked again: %+v, %+v", e.names[i], first, second)
				}
			}
			return found
		}
		want := hear(len(r.x) + 1)
		if len(want) == 0 {
			t.Errorf("%s finds nothing: this test wants something", c.Name)
		}
		for _, size := range []int{7, 64, 4095, 4096} {
			if got := hear(size); !reflect.DeepEqual(got, want) {
				t.Errorf("%s in blocks of %d: %+v, want %+v", c.Name, size, got, want)
			}
		}
	}
}

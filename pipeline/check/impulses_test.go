package check

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/pipeline"
	"chapterhouse/testdata/voices/narration"
)

// ring adds a mouth's resonance that is 20 dB down after decayS.
func ring(x []float64, rateHz int, at, hz, decayS, peak float64) {
	from := int(at * float64(rateHz))
	for i := range int(3 * decayS * float64(rateHz)) {
		s := float64(i) / float64(rateHz)
		x[from+i] += peak * math.Exp(-2.3*s/decayS) * math.Sin(2*math.Pi*hz*s)
	}
}

// puff adds half a swing of breath.
func puff(x []float64, rateHz int, at, seconds, peak float64) {
	from, n := int(at*float64(rateHz)), int(seconds*float64(rateHz))
	for i := range n {
		s := float64(i) / float64(n)
		x[from+i] += peak * math.Sin(math.Pi*s) * math.Sin(math.Pi*s)
	}
}

// lose puts one value, or what came before, in the place of the sound.
func lose(x []float64, rateHz int, at, seconds float64, how string) {
	from, n := int(at*float64(rateHz)), int(math.Round(seconds*float64(rateHz)))
	for i := from; i < from+n; i++ {
		switch how {
		case "nothing":
			x[i] = 0
		case "held":
			x[i] = x[from-1]
		case "dither":
			x[i] = float64(i*7919%3-1) / 32768
		case "repeated":
			x[i] = x[i-n]
		}
	}
}

// impulses is what four checks find something in.
func impulses() recording {
	const rate = 22050
	x := dsptest.Speechlike(4, 12*rate, rate)
	for i := range 12 {
		ring(x, rate, 0.4+0.93*float64(i), 2500+300*float64(i), 0.001, 0.4)
	}
	puff(x, rate, 4.1, 0.05, 0.5)
	puff(x, rate, 9.3, 0.04, 0.5)
	lose(x, rate, 6.05, 0.012, "nothing")
	lose(x, rate, 8.05, 0.02, "repeated")
	return recording{x: x, Part: Part{RateHz: rate, Speech: -23}}
}

// A place that a check is to find, and how it weighs.
type sought struct {
	at     float64
	weight pipeline.Verdict
}

func compare(t *testing.T, name string, found []pipeline.Finding, want []sought) {
	t.Helper()
	if len(found) != len(want) {
		t.Errorf("%s: %d findings, want %d: %+v", name, len(found), len(want), found)
		return
	}
	for i, f := range found {
		if math.Abs(f.StartS-want[i].at) > 0.02 || f.Weight != want[i].weight {
			t.Errorf("%s: %s at %.2f s, want %s at %.2f", name, f.Weight, f.StartS, want[i].weight, want[i].at)
		}
		if f.Measured == "" || f.Limit == "" || f.Do == "" {
			t.Errorf("%s: %+v lacks words", name, f)
		}
	}
}

// Clicks are short, and alone within 40 ms: what lasts or beats is none.
func TestClicks(t *testing.T) {
	const loud, soft = 0.1, 0.003
	for _, rate := range []int{22050, 44100, 48000, 96000} {
		for _, c := range []struct {
			name string
			make func(x []float64)
			want []sought
		}{
			{"nothing", func([]float64) {}, nil},
			{"mouth and converter", func(x []float64) {
				ring(x, rate, 1, 2500, 0.001, loud)
				ring(x, rate, 2, 5500, 0.002, soft)
				x[3*rate] += 4 * loud
			}, []sought{{1, pipeline.Listen}, {2, pipeline.Ready}, {3, pipeline.Listen}}},
			{"two within 40 ms", func(x []float64) { // a stutter or a rattle is none
				ring(x, rate, 1, 3000, 0.001, loud)
				ring(x, rate, 1.02, 3000, 0.001, loud)
			}, nil},
			{"a burst of 10 ms", func(x []float64) {
				r := rand.New(rand.NewPCG(1, 2))
				for i := range rate / 100 {
					x[rate+i] += loud * r.NormFloat64()
				}
			}, nil},
			{"the beat of vocal folds", func(x []float64) {
				for i := range 100 {
					ring(x, rate, 1+0.011*float64(i), 3000, 0.001, loud)
				}
			}, nil},
			{"a low thump", func(x []float64) { puff(x, rate, 1, 0.03, 0.5) }, nil},
		} {
			x := scaledNoise(5, 4*rate, 0.0004)
			c.make(x)
			compare(t, c.name, heardOf(clicks(), Part{RateHz: rate, Speech: -24}, x), c.want)
		}
	}
	if found := heardOf(clicks(), Part{RateHz: 8000, Speech: -24}, scaledNoise(1, 8000, 0.1)); len(found) > 0 {
		t.Errorf("at a rate that has no treble: %+v", found)
	}
}

// Many clicks are a number and the worst of them.
func TestManyClicks(t *testing.T) {
	const rate = 22050
	x := scaledNoise(5, 32*rate, 0.0004)
	for i := range 30 {
		ring(x, rate, 1+float64(i), 3000, 0.001, 0.05+0.001*float64(i*7%30))
	}
	found := heardOf(clicks(), Part{RateHz: rate, Speech: -24}, x)
	if len(found) != 1+worstPlaces || !strings.HasPrefix(found[0].Measured, "30 clicks, the worst: ") || found[0].EndS < 30 {
		t.Errorf("30 clicks are %+v", found)
	}
}

// Mouth noise is a rate over a minute, one finding however long it lasts.
func TestMouthNoise(t *testing.T) {
	const rate = 22050
	for _, c := range []struct {
		name              string
		every             float64 // seconds
		from, to          float64
		weight            pipeline.Verdict // empty: nothing
		startS, endS, per float64
	}{
		{"eight in a minute", 7.5, 5, 175, "", 0, 0, 0},
		{"twelve", 5, 10, 90, pipeline.Ready, 10, 85, 12},
		{"thirty", 2, 60, 170, pipeline.Listen, 60, 168, 30},
		{"a few at once", 1, 20, 27, "", 0, 0, 0},
	} {
		x := scaledNoise(6, 180*rate, 0.0004)
		for s := c.from; s < c.to; s += c.every {
			ring(x, rate, s, 4000, 0.0015, 0.01)
		}
		found := heardOf(mouthNoise(), Part{RateHz: rate, Speech: -24}, x)
		if c.weight == "" {
			if len(found) > 0 {
				t.Errorf("%s: %+v", c.name, found)
			}
			continue
		}
		compare(t, c.name, found, []sought{{c.startS, c.weight}})
		if len(found) == 1 && math.Abs(found[0].EndS-c.endS) > 0.02 {
			t.Errorf("%s ends at %.2f s, want %.2f", c.name, found[0].EndS, c.endS)
		}
	}
}

// A pop is found where it is, beside a voice; a deep voice, a shout and a lorry
// are none.
func TestPlosives(t *testing.T) {
	for _, rate := range []int{22050, 48000, 96000} {
		speech := dsptest.Speechlike(3, 8*rate, float64(rate))
		for _, c := range []struct {
			name string
			make func(x []float64)
			want []sought
		}{
			{"nothing", func([]float64) {}, nil},
			{"strong", func(x []float64) {
				puff(x, rate, 2, 0.05, 0.4)
				puff(x, rate, 5, 0.03, 0.6)
			}, []sought{{2, pipeline.Listen}, {5, pipeline.Listen}}},
			{"soft", func(x []float64) {
				copy(x, scaledNoise(7, len(x), 0.0004))
				puff(x, rate, 5, 0.05, 0.01)
			}, []sought{{5, pipeline.Ready}}},
			{"at the very start", func(x []float64) { puff(x, rate, 0.1, 0.05, 0.4) }, nil},
			{"a shout", func(x []float64) {
				for i := 3 * rate; i < 4*rate; i++ {
					x[i] *= 4
				}
			}, nil},
			{"a lorry", func(x []float64) {
				for i := range x {
					s := float64(i) / float64(rate)
					x[i] += 0.05 * math.Exp(-(s-4)*(s-4)) * math.Sin(2*math.Pi*31*s)
				}
			}, nil},
		} {
			x := append([]float64(nil), speech...)
			c.make(x)
			compare(t, c.name, heardOf(plosives(), Part{RateHz: rate, Speech: -23}, x), c.want)
		}
	}
}

// What is lost is found to the sample, in every word length and however it was
// filled; what stands still or repeats itself by nature is not.
func TestDropout(t *testing.T) {
	for _, rate := range []int{44100, 48000, 96000} {
		for _, bits := range []int{16, 24} {
			for _, c := range []struct {
				name string
				make func(x []float64) []float64
				want []sought
			}{
				{"nothing", func(x []float64) []float64 { return x }, nil},
				{"lost", func(x []float64) []float64 {
					lose(x, rate, 1, 0.003, "nothing")
					lose(x, rate, 2, 0.030, "held")
					lose(x, rate, 3, 0.012, "dither")
					lose(x, rate, 4, 0.003, "repeated")
					lose(x, rate, 5, 0.040, "repeated")
					return x
				}, []sought{{1, pipeline.Listen}, {2, pipeline.Listen}, {3, pipeline.Listen}, {4, pipeline.Listen}, {5, pipeline.Listen}}},
				{"too short", func(x []float64) []float64 {
					lose(x, rate, 1, 0.0027, "nothing")
					lose(x, rate, 2, 0.0025, "repeated")
					return x
				}, nil},
				{"as long as digital silence", func(x []float64) []float64 {
					lose(x, rate, 1, 0.051, "held")
					return x
				}, nil},
				{"a muted pause", func(x []float64) []float64 {
					clear(x[rate : 2*rate])
					return x
				}, nil},
				{"soft", func(x []float64) []float64 {
					for i := range x {
						x[i] *= 0.02
					}
					lose(x, rate, 1, 0.004, "nothing")
					lose(x, rate, 2, 0.012, "nothing")
					return x
				}, []sought{{1, pipeline.Ready}, {2, pipeline.Listen}}},
				{"a machine's tone", func([]float64) []float64 { return sine(rate, 300, 0.5, 3*rate) }, nil},
				{"a slow swing", func([]float64) []float64 { return sine(rate, 2, 0.001, 3*rate) }, nil},
				{"cut flat", func([]float64) []float64 { return held(sine(rate, 30, 2, 3*rate), 1-1.0/32768) }, nil},
				{"room in the last bits", func(x []float64) []float64 { return scaledNoise(1, 3*rate, 0.7/32768) }, nil},
			} {
				x := scaledNoise(8, 7*rate, 0.05)
				x = quantised(c.make(x), bits)
				compare(t, c.name, heardOf(dropout(), Part{RateHz: rate, Speech: -24}, x), c.want)
			}
		}
	}
}

// A reading has stops, esses, breaths, a shout and a whisper, and nothing of
// what these checks look for but the clicks of the mouth that its labels name.
func TestImpulsesSpareSpeech(t *testing.T) {
	const text = `The potter packed the cart and took the back road to the dock. A kettle, a tap, a bit of tape, said the clerk. Pick up the
pot. [shout] Get back! [shout] Stop the cart! The tide came up to the boat. Ducks pecked at the dirt by the gate. [whisper] Keep
quiet. Bob put a cup of tea beside the bed, and took the book. It ticked. It did not tick back.`
	for _, voice := range []string{"alder", "quill"} {
		r := narration.Reading{Voice: voice, Text: text, Seed: 3, RateHz: 44100, Spread: 1, Booth: "1.4x1.2x2.2,low=0.25", Noise: "brown:-68,hiss:-76", SpeechDBFS: -26,
			Manner: narration.Manner{HeadS: 1, TailS: 1, PauseS: 0.8, PauseMinS: 0.5, BreathPct: 60, ClicksMin: 30}}
		var x []float64
		labels, err := r.Record(func(b []float64) error { x = append(x, b...); return nil })
		if err != nil {
			t.Fatal(err)
		}
		stops := 0
		isClick := func(s float64) bool {
			for _, m := range labels.Marks {
				if from := dsp.Frames(m.From).Seconds(44100); m.Kind == "click" && math.Abs(from-s) < 0.02 {
					return true
				}
			}
			return false
		}
		for _, m := range labels.Marks {
			if m.Kind == "phone" && strings.Contains("p t k b d g", m.Text) {
				stops++
			}
		}
		found := 0
		e := NewEars([]Check{clicks(), plosives(), dropout()}, Part{RateHz: 44100, Frames: dsp.Frames(len(x)), Speech: -26})
		e.Hear(x, nil)
		for _, f := range e.Heard() {
			switch {
			case f.Check != "clicks":
				t.Errorf("%s: %+v", voice, f)
			case isClick(f.StartS):
				found++
			case stops < 100 || f.Weight != pipeline.Ready:
				t.Errorf("%s: a click that nobody made: %+v", voice, f)
			}
		}
		if stops < 60 || found == 0 {
			t.Errorf("%s: %d stops and %d clicks of the mouth found: this test wants more", voice, stops, found)
		}
	}
}

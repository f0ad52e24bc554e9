package meter_test

import (
	"math"
	"slices"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	. "chapterhouse/dsp/meter"
	"chapterhouse/testdata/voices/narration"
)

// breathReading is half a minute of a voice that settings may be fixed on.
func breathReading(t *testing.T, noise string) ([]float64, narration.Labels) {
	t.Helper()
	r := narration.Reading{Voice: "quill", Seed: 31, RateHz: 44100, Spread: 1, Booth: "1.4x1.2x2.2,low=0.25", Noise: noise, SpeechDBFS: -24,
		Manner: narration.Manner{HeadS: 1, TailS: 1, PauseS: 0.9, PauseMinS: 0.7, BreathPct: 70, ClicksMin: 6, StopAtS: 26}}
	var x []float64
	l, err := r.Record(func(block []float64) error {
		x = append(x, block...)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return x, l
}

// Every breath that was drawn is found, in a good booth and in a poor one, and
// nothing else; the blocks it comes in don't matter. Precision and recall over
// other voices are rows of the restoration proof.
func TestBreathsAreFound(t *testing.T) {
	for _, noise := range []string{"brown:-72,pink:-75,hiss:-84", "brown:-51,pink:-60,hiss:-75"} {
		x, l := breathReading(t, noise)
		speech := New(44100, 1)
		speech.Write(x)
		whole, cut := NewBreaths(44100), NewBreaths(44100)
		whole.Write(x)
		for at := 0; at < len(x); at += 777 {
			cut.Write(x[at:min(at+777, len(x))])
		}
		found := whole.Result(speech.Levels().Speech)
		if !slices.Equal(found, cut.Result(speech.Levels().Speech)) {
			t.Error("blocks of another length give other breaths")
		}
		drawn := 0
		for _, m := range l.Marks {
			if m.Kind != "breath" {
				continue
			}
			if drawn++; !slices.ContainsFunc(found, func(w Window) bool {
				return min(int64(w.To), m.To)-max(int64(w.From), m.From) >= (m.To-m.From)/2
			}) {
				t.Errorf("%s: the breath at %.2f s was not found", noise, float64(m.From)/44100)
			}
		}
		if drawn < 3 || len(found) != drawn {
			t.Errorf("%s: %d breaths found, %d were drawn", noise, len(found), drawn)
		}
	}
}

// Nothing is a breath in silence, noise, a tone, and swells of noise that are
// too short, too long, too loud, have the spectrum of an ess or follow each other
// as whispered words do.
func TestBreathsAreNothingElse(t *testing.T) {
	const rate = 44100
	swell := func(from, seconds, gain float64, bright bool) []float64 {
		x := dsptest.Noise(5, 12*rate)
		last, low := 0.0, 0.0
		for i := range x {
			v := x[i]
			x[i], last = v-0.95*last, v
			if !bright { // under about 2 kHz
				low += 0.25 * (v - low)
				x[i] = low
			}
			shape := (float64(i)/rate - from) / seconds
			if shape < 0 || shape > 1 {
				shape = 0
			}
			x[i] *= gain * math.Sin(math.Pi*shape)
		}
		for i, v := range dsptest.Noise(6, len(x)) {
			x[i] += 1e-5 * v
			if i < 2*rate || i > 10*rate {
				x[i] += 0.2 * math.Sin(float64(i)*0.02) // the voice
			}
		}
		return x
	}
	whisper := make([]float64, 12*rate)
	for _, from := range []float64{5, 5.4, 5.8, 6.2} {
		for i, v := range swell(from, 0.3, 0.006, false) {
			whisper[i] += v
		}
	}
	for name, c := range map[string]struct {
		x    []float64
		want int
	}{
		"silence":       {make([]float64, 12*rate), 0},
		"noise":         {dsptest.Noise(1, 12*rate), 0},
		"a breath":      {swell(6, 0.4, 0.006, false), 1},
		"a whisper":     {whisper, 0},
		"too short":     {swell(6, 0.06, 0.006, false), 0},
		"too long":      {swell(5, 3, 0.006, false), 0},
		"too loud":      {swell(6, 0.4, 0.2, false), 0},
		"like an ess":   {swell(6, 0.4, 0.006, true), 0},
		"after no gap":  {swell(1.8, 0.4, 0.006, false), 0},
		"into the word": {swell(9.8, 0.4, 0.006, false), 0},
	} {
		m := NewBreaths(rate)
		m.Write(c.x)
		if got := m.Result(-18); len(got) != c.want {
			t.Errorf("%s: %d breaths %v, want %d", name, len(got), got, c.want)
		}
	}
}

func BenchmarkBreaths(b *testing.B) {
	const rate = 44100
	x := dsptest.Speechlike(1, 10*rate, rate)
	m := NewBreaths(rate)
	b.SetBytes(int64(len(x) * 8))
	b.ReportAllocs()
	for b.Loop() {
		m.Write(x)
	}
	b.ReportMetric(10*float64(b.N)/b.Elapsed().Seconds(), "x")
	_ = m.Result(dsp.DBFS(-23))
}

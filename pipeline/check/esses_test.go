package check

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/testdata/voices/narration"
)

const hissRate = 24000

// syllables are vowels of 0.2 s at -20 dBFS with an ess of 0.1 s behind each,
// so many dB against them, in half seconds; a level of the whole too.
func syllables(seconds int, essDB, levelDB func(syllable int) float64) []float64 {
	r := rand.New(rand.NewPCG(4, 4))
	x := scaledNoise(9, seconds*hissRate, 0.0003)
	last := 0.0
	for at := range x {
		n, in := at/(hissRate/2), at%(hissRate/2)
		v := 0.0
		switch {
		case in < hissRate/5:
			v = 0.1 * math.Sqrt2 * math.Sin(2*math.Pi*440*float64(at)/hissRate)
		case in >= hissRate/4 && in < hissRate*7/20:
			noise := r.NormFloat64()
			v = 0.07 * math.Pow(10, essDB(n)/20) * (noise - last) // most of it above 6 kHz
			last = noise
		}
		x[at] += math.Pow(10, levelDB(n)/20) * v
	}
	return x
}

func usualEss(int) float64   { return -12 }
func plainLevel(int) float64 { return 0 }

func hissing() recording {
	x := syllables(20, func(n int) float64 {
		if n == 11 || n == 12 {
			return 2
		}
		return -12
	}, plainLevel)
	return recording{x: x, Part: Part{RateHz: hissRate, Speech: -23}}
}

// What is sharp is so against this voice's other esses, at any level.
func TestEsses(t *testing.T) {
	at := func(db float64, which ...int) func(int) float64 {
		return func(n int) float64 {
			for _, w := range which {
				if n == w {
					return db
				}
			}
			return -12
		}
	}
	for _, c := range []struct {
		name  string
		ess   func(int) float64
		level func(int) float64
		want  []sought
	}{
		{"alike", usualEss, plainLevel, nil},
		{"one is sharper", at(-3, 20), plainLevel, []sought{{10.24, pipeline.Ready}}},
		{"one is a little sharper", at(-7, 20), plainLevel, nil},
		{"one is as loud as a vowel", at(4, 20), plainLevel, []sought{{10.24, pipeline.Listen}}},
		{"two of a line", at(0, 20, 22), plainLevel, []sought{{10.24, pipeline.Listen}}},
		{"in two lines", at(-3, 10, 40), plainLevel, []sought{{5.24, pipeline.Ready}, {20.24, pipeline.Ready}}},
		{"a shout", usualEss, func(n int) float64 {
			if n >= 20 && n < 30 {
				return 12
			}
			return 0
		}, nil},
		{"a soft line", usualEss, func(n int) float64 {
			if n >= 20 && n < 40 {
				return -14
			}
			return 0
		}, nil},
		{"sharp throughout", func(int) float64 { return 0 }, plainLevel, []sought{{0, pipeline.Ready}}},
	} {
		for _, gain := range []float64{1, 0.1} {
			x := syllables(30, c.ess, c.level)
			for i := range x {
				x[i] *= gain
			}
			compare(t, c.name, heardOf(esses(), Part{RateHz: hissRate, Speech: -23}, x), c.want)
		}
	}
	x := syllables(5, at(4, 4), plainLevel)
	if found := heardOf(esses(), Part{RateHz: hissRate, Speech: -23}, x); len(found) > 0 {
		t.Errorf("ten esses tell what is usual: %+v", found)
	}
}

// A line read with 12 dB more of frication is named within 0.1 s of one of its
// esses; the rest, a shout and a whisper among it, is not.
func TestEssesOfAVoice(t *testing.T) {
	const text = `The rope slipped across the stones, and the last of the sacks slid into the sea. She sold six lanterns this season. The
house was silent again. So was the sister of the smith. [shout] Stop the horses! [whisper] Somebody has been here since Sunday. Nobody
answered, and the dogs lay down. %SIX silver saddles lay beside the stove. He counted them again. The master of the house passed the
salt, and said less. It was some time past seven.`
	for _, c := range []struct {
		mark string
		want bool
	}{{"", false}, {"[ess 12] ", true}} {
		r := narration.Reading{Voice: "heron", Text: strings.Replace(text, "%SIX", c.mark+"Six", 1), Seed: 8, RateHz: 44100, Spread: 0.5, Booth: "1.4x1.2x2.2,low=0.25",
			Noise: "brown:-66,hiss:-74", SpeechDBFS: -26, Manner: narration.Manner{HeadS: 1, TailS: 1, PauseS: 0.8, PauseMinS: 0.5, BreathPct: 50}}
		var x []float64
		labels, err := r.Record(func(b []float64) error { x = append(x, b...); return nil })
		if err != nil {
			t.Fatal(err)
		}
		sharp := func(s float64) bool {
			line := 0
			for _, m := range labels.Marks {
				if m.Kind == "sentence" && strings.HasPrefix(m.Text, "Six silver") {
					line = int(m.From)
				}
				from := dsp.Frames(m.From).Seconds(44100)
				if m.Kind == "ess" && line > 0 && int(m.From) < line+4*44100 && math.Abs(from-s) < 0.1 {
					return true
				}
			}
			return false
		}
		named := false
		for _, f := range heardOf(esses(), Part{RateHz: 44100, Speech: -26}, x) {
			if named = sharp(f.StartS); !named {
				t.Errorf("%q: %+v", c.mark, f)
			}
		}
		if named != c.want {
			t.Errorf("%q: the line's esses are named %v, want %v", c.mark, named, c.want)
		}
	}
}

package dynamics_test

import (
	"math"
	"math/rand/v2"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// A voice is material for the tests: vowels of a harmonic or a whispered
// source, esses of band-limited noise, room tone under all of it. Every level
// is plain RMS in dBFS.
type voice struct {
	rate   float64
	random *rand.Rand
	x      []float64
	esses  [][2]int // where they are
}

func newVoice(rateHz float64) *voice {
	return &voice{rate: rateHz, random: rand.New(rand.NewPCG(5, 6))}
}

// add appends a sound at a level, faded over 10 ms.
func (v *voice) add(sound []float64, level float64) {
	gain := math.Pow(10, (level-levelDB(sound))/20)
	fade := int(0.010 * v.rate)
	for i := range sound {
		sound[i] *= gain * math.Min(1, float64(min(i, len(sound)-1-i))/float64(fade))
	}
	v.x = append(v.x, sound...)
}

func (v *voice) noise(seconds float64) []float64 {
	x := make([]float64, int(seconds*v.rate))
	for i := range x {
		x[i] = v.random.Float64() - 0.5
	}
	return x
}

// vowel has pulses of 130 Hz that fall by slope dB per octave over 500 Hz, or
// noise from 700 to 1800 Hz: without voice, a throat makes little below.
func (v *voice) vowel(level float64, slope int, whispered bool) {
	x := make([]float64, int(0.2*v.rate))
	sections, _ := filter.Lowpass(500, slope, v.rate)
	if whispered {
		x = v.noise(0.2)
		high, _ := filter.Highpass(700, 12, v.rate)
		low, _ := filter.Lowpass(1800, 12, v.rate)
		sections = append(high, low...)
	} else {
		for i := 0.0; i < float64(len(x)); i += v.rate / 130 {
			x[int(i)] = 1
		}
	}
	kernel.NewCascade(sections).Process(x)
	v.add(x, level)
}

// ess is noise from 6 to 9.5 kHz, 110 ms long, always the same.
func (v *voice) ess(level float64) {
	v.random = rand.New(rand.NewPCG(7, 8))
	high, _ := filter.Highpass(6000, 48, v.rate)
	low, _ := filter.Lowpass(9500, 48, v.rate)
	x := v.noise(0.11)
	kernel.NewCascade(append(high, low...)).Process(x)
	v.esses = append(v.esses, [2]int{len(v.x), len(v.x) + len(x)})
	v.add(x, level)
}

func (v *voice) pause(seconds float64) { v.x = append(v.x, make([]float64, int(seconds*v.rate))...) }

// signal is everything said, over pink-like room tone.
func (v *voice) signal(roomTone float64) []float64 {
	floor := v.noise(float64(len(v.x)+1) / v.rate)
	sections, _ := filter.Lowpass(400, 6, v.rate)
	kernel.NewCascade(sections).Process(floor)
	gain := math.Pow(10, (roomTone-levelDB(floor))/20)
	y := append([]float64(nil), v.x...)
	for i := range y {
		y[i] += gain * floor[i]
	}
	return y
}

// cuts are the mean gain within esses, leaving out their first and last 20 ms,
// and the deepest gain elsewhere, three release times and the detector's
// window after them.
func (v *voice) cuts(gainsDB []float64) (within, elsewhere float64) {
	step := dsp.ControlStep(v.rate)
	n := 0
	for i, g := range gainsDB {
		at, inside, near := i*step, false, false
		for _, e := range v.esses {
			edge, reach := int(0.02*v.rate), int(0.13*v.rate)
			inside = inside || at >= e[0]+edge && at < e[1]-edge
			near = near || at >= e[0]-edge && at < e[1]+reach
		}
		if inside {
			within += g
			n++
		} else if !near {
			elsewhere = math.Min(elsewhere, g)
		}
	}
	return within / float64(n), elsewhere
}

// sentence is twelve syllables, every third with an ess.
func (v *voice) sentence(level, essLevel float64, slope int, whispered bool) {
	for i := range 12 {
		v.vowel(level-float64(i%3)*2, slope, whispered)
		if i%3 == 1 {
			v.ess(essLevel)
		} else {
			v.pause(0.06)
		}
	}
}

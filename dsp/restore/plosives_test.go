package restore_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/restore"
)

// underSpeech is a threshold 20 dB under speech of -23 dBFS.
var underSpeech = restore.PlosivesSettings{ThresholdDBFS: -43, MaxCutDB: 15, ReleaseMS: 30}

func newPlosives(t testing.TB, s restore.PlosivesSettings, rateHz float64) *restore.Plosives {
	t.Helper()
	p, err := restore.NewPlosives(s, rateHz)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPlosivesKeepTheContract(t *testing.T) {
	for _, rate := range []float64{44100, 96000} {
		for _, threshold := range []float64{-43, -120} {
			s := underSpeech
			s.ThresholdDBFS = threshold
			make := func() dsp.Processor { return newPlosives(t, s, rate) }
			dsptest.Exercise(t, rate, make)
			dsptest.Settle(t, rate, make, s.Settle(rate))
		}
	}
}

// band is x between two frequencies.
func band(x []float64, lowHz, highHz, rateHz float64) []float64 {
	high, _ := filter.Highpass(lowHz, 24, rateHz)
	low, _ := filter.Lowpass(highHz, 48, rateHz)
	y := append([]float64(nil), x...)
	kernel.NewCascade(append(high, low...)).Process(y)
	return y
}

func levelDB(x []float64) float64 { return 20 * math.Log10(rms(x)+1e-12) }

// aPop is a swing and what follows it in 15 to 60 ms, as breath is that strikes a
// diaphragm; its RMS is 1.
func aPop(random *rand.Rand, rateHz float64) []float64 {
	n := int(rateHz * (0.015 + 0.045*random.Float64()))
	swings := 0.7 + 0.6*random.Float64()
	x := make([]float64, n)
	for i := range x {
		at := float64(i) / float64(n)
		x[i] = min(1, float64(i)/(0.003*rateHz)) * (1 - at) * math.Cos(2*math.Pi*swings*at)
	}
	r := rms(x)
	for i := range x {
		x[i] /= r
	}
	return x
}

// Pops as loud as the speech and 6 dB under it are turned down by 8 dB and more
// below 120 Hz, nine in ten of them; from 150 ms away on the voice keeps its 80
// to 200 Hz within 0.3 dB.
func TestPlosivesAreTurnedDown(t *testing.T) {
	for _, rate := range []float64{44100, 96000} {
		for _, level := range []float64{-23, -29} {
			random := rand.New(rand.NewPCG(21, 1))
			x := dsptest.Speechlike(5, int(40*rate), rate)
			var at [][2]int
			for k := int(rate); k < len(x)-int(rate); k += int((0.5 + random.Float64()) * rate) {
				pop := aPop(random, rate)
				at = append(at, [2]int{k, k + len(pop)})
				for i, v := range pop {
					x[k+i] += math.Pow(10, level/20) * v
				}
			}
			y := through(newPlosives(t, underSpeech, rate), x)
			lowX, lowY := band(x, 10, 120, rate), band(y, 10, 120, rate)
			var down []float64
			for _, p := range at {
				down = append(down, levelDB(lowX[p[0]:p[1]])-levelDB(lowY[p[0]:p[1]]))
			}
			slices.Sort(down)
			t.Logf("%g Hz, pops at %g dBFS: down by %.1f (least), %.1f (a tenth), %.1f dB (median)", rate, level, down[0], down[len(down)/10], down[len(down)/2])
			if down[len(down)/10] < 8 {
				t.Errorf("%g Hz, pops at %g dBFS: a tenth is down by %.1f dB or less, want 8", rate, level, down[len(down)/10])
			}
			chestX, chestY := band(x, 80, 200, rate), band(y, 80, 200, rate)
			reach, window := int(0.15*rate), int(0.05*rate)
			for k := 0; k+window < len(x); k += window {
				if slices.ContainsFunc(at, func(p [2]int) bool { return k+window > p[0]-reach && k < p[1]+reach }) {
					continue
				}
				if d := math.Abs(levelDB(chestX[k:k+window]) - levelDB(chestY[k:k+window])); d > 0.3 {
					t.Fatalf("%g Hz: 80 to 200 Hz changes by %.2f dB at %.2f s, far from any pop", rate, d, float64(k)/rate)
				}
			}
		}
	}
}

// chest is a voice of a pitch and up to nine semitones more with all of its
// harmonics, strongest in the lowest, in syllables that begin within 15 ms.
func chest(random *rand.Rand, n int, pitchHz, level, rateHz float64) []float64 {
	x := make([]float64, n)
	for at := 0; at < n; {
		length := min(n-at, int((0.1+0.2*random.Float64())*rateHz))
		f0 := pitchHz * (1 + 0.7*random.Float64())
		for i := range length {
			fade := min(1, float64(min(i, length-1-i))/(0.015*rateHz))
			for h := 1.0; h < 12; h++ {
				x[at+i] += fade / h * math.Sin(2*math.Pi*f0*h*float64(i)/rateHz+h)
			}
		}
		at += length + int(0.1*random.Float64()*rateHz)
	}
	gain := math.Pow(10, level/20) / rms(x)
	for i := range x {
		x[i] *= gain
	}
	return x
}

// What doesn't pop keeps its bits, late by the latency: speech, a low voice, its
// shout from the chest, half an octave up and 13 dB louder, silence.
func TestNoPlosiveKeepsTheBits(t *testing.T) {
	const rate = 44100
	for name, x := range map[string][]float64{
		"speech":  dsptest.Speechlike(6, 20*rate, rate),
		"low":     chest(rand.New(rand.NewPCG(22, 1)), 20*rate, 70, -23, rate),
		"shout":   chest(rand.New(rand.NewPCG(22, 2)), 20*rate, 100, -10, rate),
		"silence": make([]float64, rate),
	} {
		if c := changed(x, through(newPlosives(t, underSpeech, rate), x), rate); len(c) > 0 {
			t.Errorf("%s: %d changes, the first %v", name, len(c), c[0])
		}
	}
}

// Rumble that lasts is no pop, however loud: it is never turned down once half
// its window is known.
func TestRumbleIsNoPlosive(t *testing.T) {
	const rate = 44100
	random := rand.New(rand.NewPCG(23, 1))
	x := make([]float64, 10*rate)
	for i := range x {
		x[i] = random.NormFloat64()
	}
	x = band(x, 20, 60, rate)
	gain := math.Pow(10, -30./20) / rms(x)
	for i := range x {
		x[i] *= gain
	}
	y := through(newPlosives(t, underSpeech, rate), x)
	window := rate / 10
	for k := 2 * rate; k+window < len(x); k += window {
		if d := levelDB(x[k:k+window]) - levelDB(y[k:k+window]); d > 0.5 {
			t.Fatalf("turned down by %.2f dB at %.1f s", d, float64(k)/rate)
		}
	}
}

// The gain goes down before a pop begins and is back soon after.
func TestPlosivesLookAhead(t *testing.T) {
	const rate = 44100
	x := make([]float64, 2*rate)
	pop := aPop(rand.New(rand.NewPCG(24, 1)), rate)
	for i, v := range pop {
		x[rate+i] += 0.1 * v
	}
	p := newPlosives(t, underSpeech, rate)
	e := dsp.NewEngine(0, p)
	step := dsp.ControlStep(rate)
	gains := make([]float64, 0, 3*rate/step)
	e.OnQuantum(func(at dsp.Frames, _ int, gainsDB []float64) {
		for i, g := range gainsDB {
			if k := int(at)/step + i; k >= 0 {
				for len(gains) <= k {
					gains = append(gains, 0)
				}
				gains[k] = g
			}
		}
	})
	e.Write(x, func([]float64) {})
	e.Close(func([]float64) {})
	at := func(ms float64) float64 { return gains[(rate+int(ms*rate/1000))/step] }
	end := 1000 * float64(len(pop)) / rate
	if at(0) > -12 || at(end/2) > -14 || at(-80) < -0.1 || at(end+200) < -0.1 {
		t.Errorf("80 ms before the pop %.2f dB, as it begins %.2f, in its middle %.2f, 200 ms after its end %.2f", at(-80), at(0), at(end/2), at(end+200))
	}
}

func TestPlosivesRefuse(t *testing.T) {
	for _, spoil := range []func(*restore.PlosivesSettings){
		func(s *restore.PlosivesSettings) { s.ThresholdDBFS = 1 },
		func(s *restore.PlosivesSettings) { s.MaxCutDB = 25 },
		func(s *restore.PlosivesSettings) { s.ReleaseMS = math.NaN() },
	} {
		s := underSpeech
		spoil(&s)
		if _, err := restore.NewPlosives(s, 44100); err == nil {
			t.Errorf("%+v was taken", s)
		}
	}
}

func BenchmarkPlosives(b *testing.B) {
	x := dsptest.Speechlike(1, 200*dsp.Quantum, 44100)
	p := newPlosives(b, underSpeech, 44100)
	block := make([]float64, dsp.Quantum)
	b.ReportAllocs()
	at := 0
	for b.Loop() {
		copy(block, x[at:])
		at = (at + dsp.Quantum) % len(x)
		p.Process(block)
	}
	b.ReportMetric(float64(b.N)*dsp.Quantum/44100/b.Elapsed().Seconds(), "x_real_time")
}

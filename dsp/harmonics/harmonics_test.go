package harmonics_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	. "chapterhouse/dsp/harmonics"
)

var none = math.Inf(-1)

func harmonics(t testing.TB, s Settings, rateHz float64) *Harmonics {
	t.Helper()
	h, err := New(s, rateHz)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// tone is a sine with a peak.
func tone(hz, peakDBFS, rateHz float64, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Pow(10, peakDBFS/20) * math.Sin(2*math.Pi*math.Mod(hz*float64(i)/rateHz, 1))
	}
	return x
}

// through is x as a processor leaves it, aligned.
func through(p dsp.Processor, x []float64) []float64 {
	return dsp.NewEngine(0, p).Whole(x)
}

// lastSecond is one second, which holds whole periods of every whole frequency,
// just before the end: there the tone is cut off, which has all frequencies.
func lastSecond(y []float64, rateHz float64) []float64 {
	end := len(y) - 1000
	return y[end-int(rateHz) : end]
}

// sine is the peak of the sine at a frequency in one second, and takes it out.
func sine(y []float64, hz, rateHz float64) float64 {
	var re, im float64
	for i, v := range y {
		s, c := math.Sincos(2 * math.Pi * math.Mod(hz*float64(i)/rateHz, 1))
		re += v * c
		im += v * s
	}
	re, im = 2*re/float64(len(y)), 2*im/float64(len(y))
	for i := range y {
		s, c := math.Sincos(2 * math.Pi * math.Mod(hz*float64(i)/rateHz, 1))
		y[i] -= re*c + im*s
	}
	return math.Hypot(re, im)
}

func db(v float64) float64 { return 20 * math.Log10(v) }

// A sine at the reference, and any louder one, has the harmonics asked for.
func TestLevels(t *testing.T) {
	for _, rate := range []float64{44100, 48000, 96000} {
		for _, c := range []struct{ reference, second, third, hz, overDB float64 }{
			{-23, -40, -50, 997, 0},
			{-23, -20, -20, 997, 0},
			{-23, -20, none, 220, 0},
			{-23, none, -20, 110, 0},
			{-40, -60, -60, 3001, 0},
			{-16, -32, -38, 5003, 0},
			{-23, -40, -50, 997, 6},
			{-23, -20, -20, 997, 20},
			{-60, -30, -30, 150, 57},
		} {
			h := harmonics(t, Settings{c.reference, c.second, c.third}, rate)
			x := tone(c.hz, c.reference+20*math.Log10(math.Sqrt2)+c.overDB, rate, int(2*rate))
			y := lastSecond(through(h, x), rate)
			first, second, third := sine(y, c.hz, rate), sine(y, 2*c.hz, rate), sine(y, 3*c.hz, rate)
			tolerance := 0.1 // 0.5 is asked for at the reference; over it the peaks of samples decide
			for k, v := range map[string][2]float64{"second": {db(second / first), c.second}, "third": {db(third / first), c.third}} {
				if math.IsInf(v[1], -1) {
					if v[0] > -100 {
						t.Errorf("%g Hz, %+v: %s harmonic %.1f dB, want none", rate, c, k, v[0])
					}
				} else if math.Abs(v[0]-v[1]) > tolerance {
					t.Errorf("%g Hz, %+v: %s harmonic %.3f dB, want %g", rate, c, k, v[0], v[1])
				}
			}
			wantFirst := -db(1 + 3*math.Pow(10, c.third/20))
			if got := db(first) - db(math.Sqrt2) - c.reference - c.overDB; math.Abs(got-wantFirst) > 0.05 {
				t.Errorf("%g Hz, %+v: fundamental moves by %.3f dB, want %.3f", rate, c, got, wantFirst)
			}
		}
	}
}

// 20 dB below the reference the second harmonic lies 20 dB lower beside its
// fundamental and the third 40 dB.
func TestBelowTheReference(t *testing.T) {
	const rate = 44100
	y := lastSecond(through(harmonics(t, Settings{-23, -20, -20}, rate), tone(500, -40, rate, 2*rate)), rate)
	first, second, third := sine(y, 500, rate), sine(y, 1000, rate), sine(y, 1500, rate)
	left := db(1 + 3*0.1) // the reference's own fundamental is less by this
	under := -40.0 + 23 - db(math.Sqrt2)
	for what, v := range map[string][2]float64{
		"second": {db(second / first), -20 + under - left},
		"third":  {db(third / first), -20 + 2*under - left},
		"gain":   {db(first) + 40, 0},
	} {
		if math.Abs(v[0]-v[1]) > 0.06 {
			t.Errorf("%s is %.2f dB, want %.2f", what, v[0], v[1])
		}
	}
}

// Whatever is in the output beside the sine and two harmonics below half the
// rate is folded back: under -90 dBFS at the largest drive.
func TestAliases(t *testing.T) {
	worst := none
	for _, rate := range []float64{44100, 48000} {
		type at struct{ hz, peak float64 }
		tones := []at{{5000, -3}, {9000, -3}, {7350, -3}, {11025, -3}}
		for hz := 100.0; hz <= 8000; hz *= 1.55 {
			tones = append(tones, at{math.Round(hz), -6})
		}
		for _, reference := range []float64{-60, -23} {
			for _, c := range tones {
				y := lastSecond(through(harmonics(t, Settings{reference, -20, -20}, rate), tone(c.hz, c.peak, rate, int(2*rate))), rate)
				first := sine(y, c.hz, rate)
				for k := 2.0; k <= 3 && k*c.hz < rate/2; k++ {
					if r := sine(y, k*c.hz, rate); k*c.hz < 0.37*rate && db(r/first) < -20.5 {
						t.Errorf("harmonic %g of %g Hz is only %.1f dB: not the largest drive", k, c.hz, db(r/first))
					}
				}
				var power float64
				for _, v := range y {
					power += v * v
				}
				rest := 10 * math.Log10(2*power/rate) // as the peak of one sine
				if rest > -90 {
					t.Errorf("%g Hz at rate %g, reference %g: %.1f dBFS folded back", c.hz, rate, reference, rest)
				}
				worst = max(worst, rest)
			}
		}
	}
	t.Logf("worst %.1f dBFS", worst)
}

// What is added to a shout that bursts in is no more than the share asked for,
// and nothing constant stays.
func TestShoutIsBounded(t *testing.T) {
	const rate = 44100
	s := Settings{-40, -20, -20}
	x := dsptest.Speechlike(1, 4*rate, rate)
	for i := range x {
		x[i] *= 0.05
		if i > 2*rate {
			x[i] *= 60
		}
	}
	h := harmonics(t, s, rate)
	y := through(h, x)
	var peak, added, mean float64
	for i, v := range x {
		peak = max(peak, math.Abs(v))
		added = max(added, math.Abs(y[i]-v))
		mean += y[i] - v
	}
	if peak < 0.8 || added > 0.62*peak {
		t.Errorf("a peak of %.2f gets %.2f added", peak, added)
	}
	if mean = math.Abs(mean) / float64(len(x)); db(mean) > -90 {
		t.Errorf("a constant of %.1f dBFS is left", db(mean))
	}
}

func TestContract(t *testing.T) {
	for _, rate := range []float64{44100, 48000, 96000} {
		for _, s := range []Settings{{-23, -40, -50}, {-23, none, -20}, {-80, -20, -20}, {-23, none, none}} {
			t.Run(fmt.Sprintf("%g %+v", rate, s), func(t *testing.T) {
				make := func() dsp.Processor { return harmonics(t, s, rate) }
				dsptest.Exercise(t, rate, make)
				dsptest.Settle(t, rate, make, Settle(rate))
			})
		}
	}
}

func TestNoneIsOnlyLate(t *testing.T) {
	x := dsptest.Noise(3, 8*dsp.Quantum)
	if y := through(harmonics(t, Settings{-23, none, none}, 44100), x); dsptest.Digest(y) != dsptest.Digest(x) {
		t.Error("the bits are changed")
	}
}

func TestRefuses(t *testing.T) {
	for want, s := range map[string]Settings{
		"reference_dbfs is 1, it must be -80 to 0": {1, -40, -40},
		"second_db is -19, it must be -60 to -20":  {-23, -19, -40},
		"third_db is NaN, it must be -60 to -20":   {-23, -30, math.NaN()},
	} {
		if _, err := New(s, 44100); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}

func BenchmarkHarmonics(b *testing.B) {
	h := harmonics(b, Settings{-23, -40, -50}, 44100)
	x := dsptest.Speechlike(1, 256*dsp.Quantum, 44100)
	block := make([]float64, dsp.Quantum)
	i := 0
	for b.Loop() {
		copy(block, x[i*dsp.Quantum:])
		h.Process(block)
		i = (i + 1) % 256
	}
	b.ReportMetric(float64(b.N*dsp.Quantum)/44100/b.Elapsed().Seconds(), "x-real-time")
}

package dynamics_test

import (
	"fmt"
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	. "chapterhouse/dsp/dynamics"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// A movingShape is a band with its middle, where it does most.
type movingShape struct {
	name     string
	hz       float64
	gainDB   float64
	sections []kernel.Biquad
	listen   []kernel.Biquad
}

func movingShapes(t testing.TB, rate float64) []movingShape {
	t.Helper()
	s := func(sections []kernel.Biquad, err error) []kernel.Biquad {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return sections
	}
	var all []movingShape
	for _, gain := range []float64{-9, 6} {
		all = append(all,
			movingShape{"bell", 1200, gain, s(filter.Bell(1200, gain, 3, rate)), s(filter.Bandpass(1200, 3, rate))},
			movingShape{"low-shelf", 50, gain, s(filter.LowShelf(400, gain, 1, rate)), s(filter.Lowpass(400, 12, rate))},
			movingShape{"high-shelf", 16000, gain, s(filter.HighShelf(3000, gain, 0.8, rate)), s(filter.Highpass(3000, 12, rate))},
			movingShape{"plateau", 1000, gain, s(filter.Plateau(500, 2000, gain, rate)), s(filter.Bandpass(1000, 1000./1500, rate))})
	}
	return all
}

func dynamicEQ(t testing.TB, rate float64, bands ...EQBand) *DynamicEQ {
	t.Helper()
	return made[*DynamicEQ](t)(NewDynamicEQ(bands, rate))
}

func (m movingShape) band(threshold float64, under bool) EQBand {
	return EQBand{m.sections, &Movement{Listen: m.listen, GainDB: m.gainDB, ThresholdDBFS: threshold, Under: under,
		FloorDBFS: math.Inf(-1), AttackMS: 5, ReleaseMS: 100}}
}

func TestDynamicEQConforms(t *testing.T) {
	for _, rate := range []float64{44100, 96000} {
		for _, m := range movingShapes(t, rate) {
			t.Run(fmt.Sprintf("%s %g at %g", m.name, m.gainDB, rate), func(t *testing.T) {
				make := func() dsp.Processor { return dynamicEQ(t, rate, m.band(-35, m.gainDB > 0)) }
				dsptest.ExerciseExceptLatency(t, rate, make)
				if rate == 44100 {
					dsptest.Settle(t, rate, make, m.band(0, false).Movement.Settle(rate)+2*filter.SettleFrames(append(m.sections, m.listen...)))
				}
			})
		}
	}
}

// At rest the bits of the input come out; at full gain the band is the standing
// one within 0.1 dB at every frequency, lifting or cutting, over or under.
func TestDynamicEQIsTheStandingBand(t *testing.T) {
	const rate, n = 44100, 60 * dsp.Quantum
	worst := 0.0
	for _, m := range movingShapes(t, rate) {
		x := dsptest.Speechlike(5, n, rate)
		y, _ := process(dynamicEQ(t, rate, m.band(0, false)), x)
		for i := range x {
			if y[i] != x[i] {
				t.Fatalf("%s: sample %d differs at rest", m.name, i)
			}
		}
		for _, under := range []bool{false, true} {
			threshold := -110.0 // far under every tone, or far over
			if under {
				threshold = 0
			}
			for hz := 47.0; hz < 15000; hz *= 1.31 {
				x := sine(hz, -40, rate, n)
				y, _ := process(dynamicEQ(t, rate, m.band(threshold, under)), x)
				want, _ := kernel.Response(m.sections, hz, rate)
				got := amplitudeDB(y[n/2:], hz, rate) - amplitudeDB(x[n/2:], hz, rate)
				worst = math.Max(worst, math.Abs(got-want))
				if math.Abs(got-want) > 0.1 {
					t.Errorf("%s %g dB, under %t: %.3f dB at %.0f Hz, standing %.3f", m.name, m.gainDB, under, got, hz, want)
				}
			}
		}
	}
	t.Logf("at most %.2g dB from the standing band", worst)
}

// In between, the gain in the middle is a dB for each dB past the threshold.
func TestDynamicEQStatics(t *testing.T) {
	const rate, n = 44100, 60 * dsp.Quantum
	for _, m := range movingShapes(t, rate) {
		middle, _ := kernel.Response(m.listen, m.hz, rate)
		for _, under := range []bool{false, true} {
			for _, past := range []float64{-4, 4, 5.5, 30} {
				in := -30 + past
				if under {
					in = -30 - past
				}
				x := sine(m.hz, in+3.0103-middle, rate, n)
				y, gains := process(dynamicEQ(t, rate, m.band(-30, under)), x)
				want := math.Copysign(min(max(past, 0), math.Abs(m.gainDB)), m.gainDB)
				got := amplitudeDB(y[n/2:], m.hz, rate) - amplitudeDB(x[n/2:], m.hz, rate)
				tolerance := 0.1
				if m.name == "low-shelf" || m.name == "high-shelf" {
					tolerance = 0.25 // not all of the gain is reached there
				}
				if math.Abs(got-want) > tolerance || math.Abs(gains[len(gains)-1]-want) > tolerance {
					t.Errorf("%s %g dB, under %t, %g past: %.3f dB, trace %.3f, want %.3f", m.name, m.gainDB, under, past, got, gains[len(gains)-1], want)
				}
			}
		}
	}
}

// What is not over the floor isn't lifted.
func TestDynamicEQFloor(t *testing.T) {
	const rate, n = 44100, 60 * dsp.Quantum
	m := movingShapes(t, rate)[4] // a bell, 6 dB up
	band := m.band(-30, true)
	band.Movement.FloorDBFS = -60
	for _, c := range []struct{ in, want float64 }{{-65, 0}, {-60, 0}, {-57, 3}, {-50, 6}, {-20, 0}} {
		x := sine(m.hz, c.in+3.0103, rate, n)
		y, _ := process(dynamicEQ(t, rate, band), x)
		if got := amplitudeDB(y[n/2:], m.hz, rate) - amplitudeDB(x[n/2:], m.hz, rate); math.Abs(got-c.want) > 0.1 {
			t.Errorf("%g dBFS: %.3f dB, want %g", c.in, got, c.want)
		}
	}
}

// Attack and release, after the window of 20 ms has filled and emptied: within
// it of the set times, at every rate.
func TestDynamicEQTiming(t *testing.T) {
	for _, rate := range rates {
		sections, err := filter.Bell(1000, -8, 1, rate)
		if err != nil {
			t.Fatal(err)
		}
		listen, _ := filter.Bandpass(1000, 1, rate)
		e := dynamicEQ(t, rate, EQBand{sections, &Movement{Listen: listen, GainDB: -8, ThresholdDBFS: -50, AttackMS: 80, ReleaseMS: 200}})
		x := append(sine(1000, -90, rate, 30*dsp.Quantum), sine(1000, -10, rate, int(rate)/dsp.Quantum*dsp.Quantum)...)
		x = append(x, sine(1000, -90, rate, int(2*rate))...)
		_, gains := process(e, x)
		step := float64(dsp.ControlStep(rate)) / rate * 1000
		reached := func(from int, share float64, down bool) float64 {
			for i := from; i < len(gains); i++ {
				if down && gains[i] <= share*-8 || !down && gains[i] >= share*-8 {
					return float64(i-from) * step
				}
			}
			return math.Inf(1)
		}
		on, off := 30*dsp.Quantum/dsp.ControlStep(rate), (30*dsp.Quantum+int(rate)/dsp.Quantum*dsp.Quantum)/dsp.ControlStep(rate)
		if got := reached(on, 1-1/math.E, true); got < 80*0.95 || got > 80*1.05+20 {
			t.Errorf("%g Hz: attack %.1f ms", rate, got)
		}
		if got := reached(off, 1/math.E, false); got < 200*0.95 || got > 200*1.05+20 {
			t.Errorf("%g Hz: release %.1f ms", rate, got)
		}
	}
}

// A band that moves as fast as it can, under a full-scale signal, stays within
// what it does at its gains: nothing rings up.
func TestDynamicEQIsStableWhileMoving(t *testing.T) {
	const rate = 44100
	for _, m := range movingShapes(t, rate) {
		band := m.band(-20, false)
		band.Movement.AttackMS, band.Movement.ReleaseMS = 0, 1
		x := dsptest.Noise(3, 400*dsp.Quantum)
		for i := range x {
			x[i] *= float64(i / 500 % 2)
		}
		y, _ := process(dynamicEQ(t, rate, band), x)
		worst := 0.0
		for _, v := range y {
			worst = math.Max(worst, math.Abs(v))
		}
		if worst > 4 {
			t.Errorf("%s %g dB: peak %g", m.name, m.gainDB, worst)
		}
	}
}

// Standing bands beside moving ones are what they are alone.
func TestDynamicEQStandingBands(t *testing.T) {
	const rate = 44100
	m := movingShapes(t, rate)
	x := dsptest.Speechlike(6, 40*dsp.Quantum, rate)
	y, _ := process(dynamicEQ(t, rate, EQBand{Sections: m[0].sections}, m[1].band(0, false), EQBand{Sections: m[2].sections}), x)
	z, _ := process(filter.New(append(append([]kernel.Biquad(nil), m[0].sections...), m[2].sections...)), x)
	if dsptest.Digest(y) != dsptest.Digest(z) {
		t.Error("bits differ")
	}
}

func TestDynamicEQRefuses(t *testing.T) {
	for _, c := range []struct {
		change func(*Movement)
		says   []string
	}{
		{func(m *Movement) { m.GainDB = 13 }, []string{"bands[0]", "gain_db", "13", "-24 to 12"}},
		{func(m *Movement) { m.ThresholdDBFS = 1 }, []string{"threshold_dbfs", "1", "-120 to 0"}},
		{func(m *Movement) { m.AttackMS = -1 }, []string{"attack_ms", "-1"}},
		{func(m *Movement) { m.ReleaseMS = 900 }, []string{"release_ms", "900", "1 to 800"}},
	} {
		band := movingShapes(t, 44100)[0].band(-30, false)
		c.change(band.Movement)
		_, err := NewDynamicEQ([]EQBand{band}, 44100)
		refuses(t, err, c.says...)
	}
}

func BenchmarkDynamicEQ(b *testing.B) {
	m := movingShapes(b, 44100)
	b.Run("one bell", func(b *testing.B) { benchmark(b, dynamicEQ(b, 44100, m[0].band(-30, false))) })
	b.Run("four bands", func(b *testing.B) {
		benchmark(b, dynamicEQ(b, 44100, m[0].band(-30, false), m[1].band(-30, false), m[2].band(-40, false), m[3].band(-30, false)))
	})
}

package dynamics_test

import (
	"fmt"
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	. "chapterhouse/dsp/dynamics"
)

// extras are settings that use what may be left zero.
func extras() map[string]CompressorSettings {
	with := func(change func(*CompressorSettings)) CompressorSettings {
		s := CompressorSettings{ThresholdDBFS: -30, Ratio: 3, KneeDB: 6, AttackMS: 5, ReleaseMS: 120, Detector: DetectorRMS}
		change(&s)
		return s
	}
	return map[string]CompressorSettings{
		"program":    with(func(s *CompressorSettings) { s.Timing = TimingProgram }),
		"look-ahead": with(func(s *CompressorSettings) { s.LookAheadMS, s.Detector = 7, DetectorPeak }),
		"range":      with(func(s *CompressorSettings) { s.RangeDB = 4 }),
		"above":      with(func(s *CompressorSettings) { s.AboveHz = 3000 }),
		"below":      with(func(s *CompressorSettings) { s.BelowHz, s.LookAheadMS = 250, 2 }),
		"band":       with(func(s *CompressorSettings) { s.AboveHz, s.BelowHz, s.Timing = 200, 800, TimingProgram }),
		"parallel":   with(func(s *CompressorSettings) { s.ParallelPercent, s.AboveHz, s.LookAheadMS = 40, 2000, 4 }),
	}
}

func TestCompressorExtrasConform(t *testing.T) {
	for name, s := range extras() {
		for _, rate := range []float64{44100, 96000} {
			t.Run(fmt.Sprintf("%s at %g", name, rate), func(t *testing.T) {
				make := func() dsp.Processor { return compressor(t, s, rate) }
				dsptest.ExerciseExceptLatency(t, rate, make)
				if rate == 44100 {
					dsptest.Settle(t, rate, make, s.Settle(rate))
				}
			})
		}
	}
}

// The slowest of everything at once is still within 8 s.
func TestCompressorProgramSettlesWithin8s(t *testing.T) {
	s := CompressorSettings{ThresholdDBFS: -80, Ratio: math.Inf(1), AttackMS: 250, ReleaseMS: 250, Detector: DetectorRMS,
		Timing: TimingProgram, LookAheadMS: 50, AboveHz: 100, BelowHz: 3000}
	const rate = 8000
	dsptest.Settle(t, rate, func() dsp.Processor { return compressor(t, s, rate) }, s.Settle(rate))
}

// backAfter is how long after a loud stretch of a length 63.2 % of the gain in
// dB is back.
func backAfter(t *testing.T, s CompressorSettings, loudS, rate float64) float64 {
	soft, loud := square(-60, 8*dsp.Quantum), square(-6, int(loudS*rate))
	x := append(append(soft, loud...), square(-60, int(4*rate))...)
	y, _ := process(compressor(t, s, rate), x)
	return crossing(x, y[:len(x)], len(soft)+len(loud)-1, 0, rate)
}

// The longer it was compressed, the longer the way back: within 0.3 s after
// 0.2 s, 1.2 s and more after 5 s, alike for every depth, detector and rate.
func TestCompressorProgramRelease(t *testing.T) {
	for _, rate := range rates {
		for _, c := range []struct {
			releaseMS, ratio float64
			detector         Detector
		}{{80, 4, DetectorPeak}, {150, 1.5, DetectorRMS}, {250, 20, DetectorPeak}} {
			s := CompressorSettings{ThresholdDBFS: -20, Ratio: c.ratio, AttackMS: 5, ReleaseMS: c.releaseMS,
				Detector: c.detector, Timing: TimingProgram}
			last := 0.0
			for _, loudS := range []float64{0.2, 1, 1.5, 5} {
				got := backAfter(t, s, loudS, rate)
				if loudS == 0.2 && got > 0.3 || loudS == 5 && got < 1.2 || got < 0.99*last {
					t.Errorf("%g Hz, release %g ms, %g:1, %s: 63 %% back %.3f s after %g s", rate, c.releaseMS, c.ratio, c.detector, got, loudS)
				}
				last = got
				if rate == 44100 {
					t.Logf("release %g ms, %g:1, %s: 63 %% back %.3f s after %g s", c.releaseMS, c.ratio, c.detector, got, loudS)
				}
			}
			s.Timing = TimingFixed
			if got := backAfter(t, s, 5, rate); got > 0.3 {
				t.Errorf("fixed timing takes %.3f s", got)
			}
		}
	}
}

// With look-ahead the gain is down when the word begins, and the same bits come
// out as without, only earlier against the word.
func TestCompressorLookAhead(t *testing.T) {
	const rate = 48000
	s := CompressorSettings{ThresholdDBFS: -20, Ratio: 4, AttackMS: 1, ReleaseMS: 100, Detector: DetectorPeak, LookAheadMS: 6}
	c := compressor(t, s, rate)
	if c.Latency() != 288 {
		t.Fatalf("latency %d", c.Latency())
	}
	start := 20 * dsp.Quantum
	x := append(square(-26, start), square(-6, start)...)
	y, _ := process(c, x)
	if got := 20*math.Log10(math.Abs(y[start+c.Latency()])) + 6; math.Abs(got+10.5) > 0.05 {
		t.Errorf("%.3f dB at the first sample of the word, want -10.5", got)
	}
}

func TestCompressorRange(t *testing.T) {
	s := CompressorSettings{ThresholdDBFS: -40, Ratio: 20, AttackMS: 1, ReleaseMS: 50, Detector: DetectorRMS, RangeDB: 5}
	x := dsptest.Speechlike(3, 60*dsp.Quantum, 44100)
	_, gains := process(compressor(t, s, 44100), x)
	deepest := 0.0
	for _, g := range gains {
		deepest = math.Min(deepest, g)
	}
	if deepest < -5 || deepest > -4.99 {
		t.Errorf("%.3f dB at most, want -5", deepest)
	}
}

// At rest a part sums flat within 0.01 dB; with 10 dB of reduction above 200 Hz
// and more, 100 Hz moves by 0.1 dB at most, and what leaks falls by 24 dB per
// octave or more; in the middle of the part the reduction is whole.
func TestCompressorPart(t *testing.T) {
	const rate = 44100
	gainAt := func(s CompressorSettings, hz, dbfs float64) float64 {
		n := 44 * dsp.Quantum
		x := sine(hz, dbfs, rate, n)
		y, _ := process(compressor(t, s, rate), x)
		return amplitudeDB(y[n/2:], hz, rate) - amplitudeDB(x[n/2:], hz, rate)
	}
	for _, c := range [][2]float64{{200, 0}, {3000, 0}, {0, 300}, {200, 400}, {300, 3000}} {
		s := CompressorSettings{ThresholdDBFS: 0, Ratio: 1, AttackMS: 1, ReleaseMS: 100, Detector: DetectorPeak, AboveHz: c[0], BelowHz: c[1]}
		for hz := 30.0; hz < 19000; hz *= 1.37 {
			if db := gainAt(s, hz, -20); math.Abs(db) > 0.01 {
				t.Errorf("%v at rest: %.4f dB at %.0f Hz", c, db, hz)
			}
		}
	}
	for _, above := range []float64{200, 1000, 4000} {
		// A loud tone in the part keeps the gain at -10 dB; a soft one beside
		// it shows what the rest gets.
		s := CompressorSettings{ThresholdDBFS: -20, Ratio: math.Inf(1), AttackMS: 1, ReleaseMS: 50, Detector: DetectorPeak, AboveHz: above}
		move := func(hz float64) float64 {
			n := 88 * dsp.Quantum
			x := sine(hz, -70, rate, n)
			for i, v := range sine(4*above+1, -10, rate, n) {
				x[i] += v
			}
			y, _ := process(compressor(t, s, rate), x)
			return amplitudeDB(y[n/2:], hz, rate) + 70
		}
		at100 := move(100)
		whole := gainAt(s, 4*above+1, -10)
		// What leaks is the part of the wave that the moving gain takes.
		leak := func(hz float64) float64 { return 20 * math.Log10(1-math.Pow(10, move(hz)/20)) }
		slope := leak(above/1.5) - leak(above/3)
		if math.Abs(at100) > 0.1 || math.Abs(whole+10) > 0.02 || slope < 24 {
			t.Errorf("above %g Hz: %.4f dB at 100 Hz, %.3f dB in the part, slope %.1f dB per octave", above, at100, whole, slope)
		}
	}
	// In the middle of a band the reduction is whole too.
	s := CompressorSettings{ThresholdDBFS: -20, Ratio: 4, AttackMS: 1, ReleaseMS: 100, Detector: DetectorRMS, AboveHz: 1000, BelowHz: 2000}
	if got := gainAt(s, 1414.2, -20+math.Log10(2)*10+12); math.Abs(got+9) > 0.05 {
		t.Errorf("in the middle of a band: %.3f dB, want -9", got)
	}
}

// The sum of parallel compression has the gain of its shares at every
// frequency: nothing combs, with look-ahead and a split as without.
func TestCompressorParallel(t *testing.T) {
	const rate = 44100
	for _, above := range []float64{0, 500} {
		s := CompressorSettings{ThresholdDBFS: -20, Ratio: 4, AttackMS: 1, ReleaseMS: 100, Detector: DetectorPeak,
			ParallelPercent: 30, LookAheadMS: 5, AboveHz: above}
		want := 20 * math.Log10(0.3+0.7*math.Pow(10, -10.5/20))
		for hz := 2011.0; hz < 16000; hz *= 1.19 {
			n := 30 * dsp.Quantum
			x := sine(hz, -6, rate, n)
			c := compressor(t, s, rate)
			y, gains := process(c, x)
			got := levelDB(y[n/2:]) - levelDB(x[n/2:])
			if math.Abs(got-want) > 0.03 {
				t.Errorf("above %g: %.3f dB at %.0f Hz, want %.3f", above, got, hz, want)
			}
			if last := gains[len(gains)-1]; math.Abs(last-want) > 0.03 {
				t.Errorf("the trace says %.3f dB, the sum has %.3f", last, want)
			}
		}
	}
	// At rest the bits of the input come out, late by the latency.
	s := CompressorSettings{ThresholdDBFS: 0, Ratio: 4, AttackMS: 1, ReleaseMS: 100, Detector: DetectorRMS, ParallelPercent: 37, LookAheadMS: 5}
	c := compressor(t, s, rate)
	x := dsptest.Speechlike(4, 20*dsp.Quantum, rate)
	y, _ := process(c, x)
	for i := c.Latency(); i < len(x); i++ {
		if y[i] != x[i-c.Latency()] {
			t.Fatalf("sample %d differs at rest", i)
		}
	}
}

func TestCompressorExtrasRefuse(t *testing.T) {
	for _, c := range []struct {
		change func(*CompressorSettings)
		says   []string
	}{
		{func(s *CompressorSettings) { s.LookAheadMS = 51 }, []string{"look_ahead_ms", "51", "0 to 50"}},
		{func(s *CompressorSettings) { s.RangeDB = -1 }, []string{"range_db", "-1"}},
		{func(s *CompressorSettings) { s.Timing = "slow" }, []string{"timing", "slow", "fixed", "program"}},
		{func(s *CompressorSettings) { s.Timing, s.ReleaseMS = TimingProgram, 251 }, []string{"release_ms", "251", "0 to 250"}},
		{func(s *CompressorSettings) { s.AboveHz = 50 }, []string{"above_hz", "50", "100"}},
		{func(s *CompressorSettings) { s.AboveHz, s.BelowHz = 500, 900 }, []string{"below_hz", "900", "1000"}},
		{func(s *CompressorSettings) { s.ParallelPercent = 91 }, []string{"parallel_percent", "91", "0 to 90"}},
	} {
		s := narration
		c.change(&s)
		_, err := NewCompressor(s, 44100)
		refuses(t, err, c.says...)
	}
}

func BenchmarkCompressorExtras(b *testing.B) {
	for name, s := range extras() {
		b.Run(name, func(b *testing.B) { benchmark(b, compressor(b, s, 44100)) })
	}
}

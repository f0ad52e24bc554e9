package dynamics_test

import (
	"fmt"
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	. "chapterhouse/dsp/dynamics"
)

func compressor(t testing.TB, s CompressorSettings, rateHz float64) *Compressor {
	t.Helper()
	return made[*Compressor](t)(NewCompressor(s, rateHz))
}

var narration = CompressorSettings{ThresholdDBFS: -22, Ratio: 2, KneeDB: 8, AttackMS: 10, ReleaseMS: 150, Detector: DetectorRMS}

func TestCompressorConforms(t *testing.T) {
	for _, rate := range rates {
		for _, detector := range []Detector{DetectorPeak, DetectorRMS} {
			s := narration
			s.Detector = detector
			t.Run(fmt.Sprintf("%g %s", rate, detector), func(t *testing.T) {
				make := func() dsp.Processor { return compressor(t, s, rate) }
				dsptest.Exercise(t, rate, make)
				dsptest.Settle(t, rate, make, s.Settle(rate))
			})
		}
	}
}

// The extremes of the ranges are still within the 8 s that a state may last.
func TestCompressorSettlesWithin8s(t *testing.T) {
	s := CompressorSettings{ThresholdDBFS: -80, Ratio: math.Inf(1), AttackMS: 500, ReleaseMS: 800, Detector: DetectorPeak}
	const rate = 8000
	dsptest.Settle(t, rate, func() dsp.Processor { return compressor(t, s, rate) }, s.Settle(rate))
}

// Sines of every published level, in processed audio: the level of a sine is
// its peak to a peak detector, its RMS to an RMS detector. What is left over is
// the crest that falls between samples, and for RMS the ripple of a window that
// is no whole number of half periods.
func TestCompressorPublishedStatics(t *testing.T) {
	const rate, n = 44100, 24 * dsp.Quantum
	worst := map[string]float64{}
	for _, row := range staticRows(t, "compressor") {
		for _, c := range []struct {
			detector    Detector
			hz          float64
			toleranceDB float64
		}{
			{DetectorPeak, 61, 0.005},
			{DetectorPeak, 997, 0.005},
			{DetectorPeak, 5011, 0.005},
			{DetectorRMS, 997, 0.02},
			{DetectorRMS, 5011, 0.005},
		} {
			s := CompressorSettings{ThresholdDBFS: row.threshold, Ratio: row.ratio, KneeDB: row.knee, AttackMS: 2, ReleaseMS: 20, Detector: c.detector}
			in := row.in
			if c.detector == DetectorRMS {
				in += 20 * math.Log10(math.Sqrt2)
			}
			x := sine(c.hz, in, rate, n)
			y, _ := process(compressor(t, s, rate), x)
			got := levelDB(y[n/2:]) - levelDB(x[n/2:])
			name := fmt.Sprintf("%s %g Hz", c.detector, c.hz)
			worst[name] = math.Max(worst[name], math.Abs(got-row.gain))
			if math.Abs(got-row.gain) > c.toleranceDB {
				t.Errorf("%s, %+v: gain %.4f dB, want %.4f", name, row, got, row.gain)
			}
		}
	}
	t.Logf("worst differences in dB: %.4v", worst)
}

// The worked step: -26 to -6 dBFS, threshold -20, 4:1, hard knee, τ 10 ms, by
// the formulas of Giannoulis, Massberg and Reiss: 6.637 dB at 10 ms, 9.079 at
// 20 ms, 10.5 in the end, within 2 dB of that after 16.58 ms.
func TestCompressorWorkedStep(t *testing.T) {
	for _, rate := range rates {
		s := CompressorSettings{ThresholdDBFS: -20, Ratio: 4, AttackMS: 10, ReleaseMS: 100, Detector: DetectorPeak}
		start := 20 * dsp.Quantum
		x := append(square(-26, start), square(-6, 20*dsp.Quantum)...)
		y, _ := process(compressor(t, s, rate), x)
		gain := func(seconds float64) float64 { // between the two samples around
			at := float64(start-1) + seconds*rate
			i := int(at)
			a, b := 20*math.Log10(math.Abs(y[i]/x[i])), 20*math.Log10(math.Abs(y[i+1]/x[i+1]))
			return a + (b-a)*(at-float64(i))
		}
		for _, c := range []struct{ seconds, want float64 }{
			{0, 0}, {0.010, -6.637}, {0.020, -9.079}, {0.01658, -8.5}, {0.200, -10.5},
		} {
			if got := gain(c.seconds); math.Abs(got-c.want) > 0.005 {
				t.Errorf("%g Hz: gain %.4f dB after %g s, want %g", rate, got, c.seconds, c.want)
			}
		}
	}
}

// Attack and release are what the settings say, in processed audio, at every
// rate: ±5 % or ±0.2 ms. A release begins when the detector lets go, 10 ms
// after the level fell (peak) or at the latest after 20 ms (RMS).
func TestCompressorTiming(t *testing.T) {
	for _, rate := range append(rates, 88200) {
		for _, c := range []struct{ attackMS, releaseMS float64 }{{1, 40}, {2, 100}, {10, 150}, {50, 400}, {5, 800}} {
			s := CompressorSettings{ThresholdDBFS: -20, Ratio: 4, AttackMS: c.attackMS, ReleaseMS: c.releaseMS, Detector: DetectorPeak}
			loud := int((0.5+12*c.attackMS/1000)*rate) / dsp.Quantum * dsp.Quantum
			soft := int((0.1+2*c.releaseMS/1000)*rate) / dsp.Quantum * dsp.Quantum
			x := append(square(-26, dsp.Quantum), square(-6, loud)...)
			x = append(x, square(-26, soft)...)
			y, _ := process(compressor(t, s, rate), x)
			if got := 1000 * crossing(x, y, dsp.Quantum-1, -10.5, rate); math.Abs(got-c.attackMS) > timeTolerance(c.attackMS) {
				t.Errorf("%g Hz: attack %.3f ms, want %g", rate, got, c.attackMS)
			}
			fell := dsp.Quantum + loud
			letGo := fell
			for y[letGo]/x[letGo] < math.Pow(10, -10.49/20) {
				letGo++
			}
			if held := 1000 * float64(letGo-fell) / rate; math.Abs(held-10) > 0.4+0.002*c.releaseMS {
				t.Errorf("%g Hz: the detector lets go after %.3f ms, want 10", rate, held)
			}
			if got := 1000 * crossing(x, y, letGo, 0, rate); math.Abs(got-c.releaseMS) > timeTolerance(c.releaseMS) {
				t.Errorf("%g Hz: release %.3f ms, want %g", rate, got, c.releaseMS)
			}
		}
	}
}

// Below the threshold and its knee nothing is touched.
func TestCompressorLeavesSoftSpeechAlone(t *testing.T) {
	for _, detector := range []Detector{DetectorPeak, DetectorRMS} {
		s := CompressorSettings{ThresholdDBFS: 0, Ratio: 8, AttackMS: 1, ReleaseMS: 50, Detector: detector}
		x := dsptest.Speechlike(3, 40*dsp.Quantum, 44100)
		y, gains := process(compressor(t, s, 44100), x)
		if dsptest.Digest(x) != dsptest.Digest(y) {
			t.Errorf("%s: bits differ below the threshold", detector)
		}
		for _, g := range gains {
			if g != 0 {
				t.Fatalf("%s: the trace shows %g dB", detector, g)
			}
		}
	}
}

// The trace is the gain that the samples got.
func TestCompressorTrace(t *testing.T) {
	const rate = 48000
	c := compressor(t, CompressorSettings{ThresholdDBFS: -30, Ratio: 3, KneeDB: 6, AttackMS: 3, ReleaseMS: 80, Detector: DetectorPeak}, rate)
	x := square(-40, 40*dsp.Quantum)
	for i := range x {
		x[i] *= 1 + 50*math.Abs(math.Sin(float64(i)/9000))
	}
	y, gains := process(c, x)
	step := dsp.ControlStep(rate)
	for i, g := range gains {
		at := (i+1)*step - 1
		if got := 20 * math.Log10(y[at]/x[at]); math.Abs(got-g) > 1e-7 {
			t.Fatalf("step %d: the sample got %.9f dB, the trace says %.9f", i, got, g)
		}
	}
}

func TestCompressorGolden(t *testing.T) {
	peak := CompressorSettings{ThresholdDBFS: -30, Ratio: 4, KneeDB: 3, AttackMS: 2, ReleaseMS: 60, Detector: DetectorPeak}
	golden(t, "rms", compressor(t, narration, 44100), 44100, "b2dd488daa05fc0374a435cf40f5d4a6")
	golden(t, "peak", compressor(t, peak, 44100), 44100, "cc413ba654daf822198493fe464323c9")
	golden(t, "peak", compressor(t, peak, 96000), 96000, "e717139eb5c0a7105111ad193712ac97")
}

func TestCompressorRefuses(t *testing.T) {
	for _, c := range []struct {
		change func(*CompressorSettings)
		rate   float64
		says   []string
	}{
		{func(s *CompressorSettings) { s.ThresholdDBFS = 3 }, 44100, []string{"threshold_dbfs", "3", "-80 to 0"}},
		{func(s *CompressorSettings) { s.Ratio = 0.5 }, 44100, []string{"ratio", "0.5", "1 or more"}},
		{func(s *CompressorSettings) { s.Ratio = math.NaN() }, 44100, []string{"ratio", "NaN"}},
		{func(s *CompressorSettings) { s.KneeDB = -1 }, 44100, []string{"knee_db", "-1", "0 to 40"}},
		{func(s *CompressorSettings) { s.AttackMS = 501 }, 44100, []string{"attack_ms", "501", "0 to 500"}},
		{func(s *CompressorSettings) { s.ReleaseMS = 900 }, 44100, []string{"release_ms", "900", "0 to 800"}},
		{func(s *CompressorSettings) { s.Detector = "loudness" }, 44100, []string{"detector", "loudness", "peak", "rms"}},
		{func(s *CompressorSettings) {}, 4000, []string{"rate_hz", "4000", "8000 to 192000"}},
	} {
		s := narration
		c.change(&s)
		_, err := NewCompressor(s, c.rate)
		refuses(t, err, c.says...)
	}
}

func BenchmarkCompressor(b *testing.B) {
	for _, detector := range []Detector{DetectorPeak, DetectorRMS} {
		s := narration
		s.Detector = detector
		b.Run(string(detector), func(b *testing.B) { benchmark(b, compressor(b, s, 44100)) })
	}
}

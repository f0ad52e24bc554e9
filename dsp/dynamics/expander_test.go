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

func expander(t testing.TB, s ExpanderSettings, rateHz float64) *Expander {
	t.Helper()
	return made[*Expander](t)(NewExpander(s, rateHz))
}

// fourBands is a usual setting for narration over a room tone at -65 dBFS.
var fourBands = ExpanderSettings{
	CrossoversHz: []float64{160, 1800, 6000},
	Bands:        []ExpanderBand{{-57, 1.6, 8}, {-58, 1.4, 6}, {-58, 1.4, 6}, {-59, 1.3, 6}},
	LookAheadMS:  8, AttackMS: 3, HoldMS: 120, ReleaseMS: 200, HysteresisDB: 3,
}

// twoBands parts rumble from speech.
var twoBands = ExpanderSettings{
	CrossoversHz: []float64{80}, Bands: []ExpanderBand{{-50, 4, 12}, {-50, 2, 10}}, KneeDB: 6,
	LookAheadMS: 5, AttackMS: 5, HoldMS: 150, ReleaseMS: 120,
}

// oneBand has no crossover.
func oneBand(b ExpanderBand) ExpanderSettings {
	return ExpanderSettings{Bands: []ExpanderBand{b}, LookAheadMS: 8, AttackMS: 3, HoldMS: 100, ReleaseMS: 150}
}

func TestExpanderConforms(t *testing.T) {
	for _, rate := range rates {
		for name, s := range map[string]ExpanderSettings{
			"one band":   oneBand(ExpanderBand{-50, 2, 12}),
			"two bands":  twoBands,
			"four bands": fourBands,
		} {
			t.Run(fmt.Sprintf("%g %s", rate, name), func(t *testing.T) {
				make := func() dsp.Processor { return expander(t, s, rate) }
				if name == "four bands" { // their all-passes turn the phase of speech
					dsptest.ExerciseExceptLatency(t, rate, make)
				} else {
					dsptest.Exercise(t, rate, make)
				}
				dsptest.Settle(t, rate, make, s.Settle(rate))
			})
		}
	}
}

// The extremes of the ranges are still within the 8 s that a state may last.
func TestExpanderSettlesWithin8s(t *testing.T) {
	s := ExpanderSettings{
		CrossoversHz: []float64{80}, Bands: []ExpanderBand{{-20, 100, 80}, {-20, 100, 80}},
		LookAheadMS: 50, AttackMS: 200, HoldMS: 1000, ReleaseMS: 450, HysteresisDB: 12,
	}
	const rate = 8000
	dsptest.Settle(t, rate, func() dsp.Processor { return expander(t, s, rate) }, s.Settle(rate))
}

// Sines of every published level, in processed audio; the level is RMS.
func TestExpanderPublishedStatics(t *testing.T) {
	const rate, n = 44100, 80 * dsp.Quantum
	worst := 0.0
	for _, row := range staticRows(t, "downward_expander") {
		s := ExpanderSettings{
			Bands:  []ExpanderBand{{row.threshold, row.ratio, row.rangeDB}},
			KneeDB: row.knee, AttackMS: 3, HoldMS: 20, ReleaseMS: 50,
		}
		x := sine(997, row.in+20*math.Log10(math.Sqrt2), rate, n)
		y, _ := process(expander(t, s, rate), x)
		got := levelDB(y[n/2:]) - levelDB(x[n/2:])
		worst = math.Max(worst, math.Abs(got-row.gain))
		// The mean square of a sine over a window T ripples by 1/(2πfT) at most;
		// the hold keeps the crest and the curve multiplies it by ratio - 1.
		tolerance := 10 * math.Log10(1+1/(2*math.Pi*997*0.020)) * (row.ratio - 1)
		if math.Abs(got-row.gain) > tolerance {
			t.Errorf("%+v: gain %.4f dB, want %.4f ±%.3f", row, got, row.gain, tolerance)
		}
	}
	t.Logf("worst difference %.4f dB", worst)
}

// burst is silence but for a loud stretch of a square, on top of a soft one.
func burst(softDBFS, loudDBFS float64, from, to, n int) []float64 {
	x := square(softDBFS, n)
	copy(x[from:to], square(loudDBFS, to-from))
	return x
}

// Opening and closing are what the settings say, at every rate: ±5 % or
// ±0.2 ms. The burst starts and ends on the control grid, so that the gain can
// be read from the processed audio.
func TestExpanderTiming(t *testing.T) {
	for _, rate := range append(rates, 88200) {
		for _, c := range []struct{ lookAhead, attack, hold, release float64 }{
			{0, 3, 0, 60}, {0, 10, 100, 200}, {8, 3, 120, 200}, {20, 10, 80, 450},
		} {
			s := ExpanderSettings{
				Bands:       []ExpanderBand{{-50, 2, 12}},
				LookAheadMS: c.lookAhead, AttackMS: c.attack, HoldMS: c.hold, ReleaseMS: c.release,
			}
			from, to := 30*dsp.Quantum, 100*dsp.Quantum
			n := (to + int((0.3+2*c.release/1000)*rate)) / dsp.Quantum * dsp.Quantum
			x := burst(-80, -10, from, to, n)
			e := expander(t, s, rate)
			y, _ := process(e, x)
			late := e.Latency()
			if math.Abs(1000*float64(late)/rate-c.lookAhead) > 0.2 {
				t.Errorf("%g Hz: latency %d samples, want %g ms", rate, late, c.lookAhead)
			}
			delayed := append(make([]float64, late), x...)[:n]
			for i := range late {
				delayed[i] = 1 // nothing to divide by yet
			}
			// The level is over the threshold within the first control step.
			opens := from - 1
			if got := 1000 * crossing(delayed, y, opens, 0, rate); math.Abs(got-c.attack) > timeTolerance(c.attack) {
				t.Errorf("%g Hz, %+v: attack %.3f ms", rate, c, got)
			}
			// In the output, the word ends late; window and hold follow.
			letGo := to + late
			for y[letGo]/delayed[letGo] > math.Pow(10, -0.01/20) {
				letGo++
			}
			if held := 1000 * float64(letGo-to-late) / rate; math.Abs(held-20-c.hold) > 0.5+0.002*c.release {
				t.Errorf("%g Hz, %+v: held for %.3f ms, want hold and a window of 20 ms", rate, c, held)
			}
			if got := 1000 * crossing(delayed, y, letGo, -12, rate); math.Abs(got-c.release) > timeTolerance(c.release) {
				t.Errorf("%g Hz, %+v: release %.3f ms", rate, c, got)
			}
		}
	}
}

// When the word comes out, the gate is open: the look-ahead is worth 93 % of
// the opening at τ = look-ahead/2.67.
func TestExpanderOpensBeforeTheWord(t *testing.T) {
	const rate = 44100
	s := oneBand(ExpanderBand{-50, 2, 12})
	from := 50 * dsp.Quantum
	x := burst(-80, -10, from, from+20*dsp.Quantum, 80*dsp.Quantum)
	e := expander(t, s, rate)
	y, _ := process(e, x)
	at := from + e.Latency()
	if gain := 20 * math.Log10(y[at]/x[from]); gain < -12*math.Exp(-8./3)-0.05 {
		t.Errorf("the first sample of the word has gain %.2f dB", gain)
	}
}

// Open, one band gives back the bits of its input.
func TestExpanderOpenIsTransparent(t *testing.T) {
	const rate = 48000
	x := sine(997, -20, rate, 60*dsp.Quantum)
	e := expander(t, oneBand(ExpanderBand{-50, 2, 12}), rate)
	y, _ := process(e, x)
	for i := 20 * dsp.Quantum; i < len(x); i++ {
		if y[i] != x[i-e.Latency()] {
			t.Fatalf("sample %d is %g, want %g", i, y[i], x[i-e.Latency()])
		}
	}
	for name, b := range map[string]ExpanderBand{"ratio 1": {-50, 1, 12}, "range 0": {-50, 2, 0}} {
		e := expander(t, oneBand(b), rate)
		speech := dsptest.Speechlike(5, 60*dsp.Quantum, rate)
		y, _ := process(e, speech)
		for i := e.Latency(); i < len(y); i++ {
			if y[i] != speech[i-e.Latency()] {
				t.Fatalf("%s: sample %d is %g, want %g", name, i, y[i], speech[i-e.Latency()])
			}
		}
	}
}

// Open, the bands sum flat: the impulse response, probed on top of tones that
// hold every band open, has the magnitude 0 ±0.01 dB.
func TestExpanderOpenIsFlat(t *testing.T) {
	for _, rate := range rates {
		const n, at = 120 * dsp.Quantum, 90 * dsp.Quantum
		s := fourBands
		s.Bands = append([]ExpanderBand(nil), s.Bands...)
		for i := range s.Bands {
			s.Bands[i].ThresholdDBFS = -60
		}
		carrier := make([]float64, n)
		for _, hz := range []float64{80, 700, 3000, 9000} {
			for i, v := range sine(hz, -26, rate, n) {
				carrier[i] += v
			}
		}
		probe := append([]float64(nil), carrier...)
		probe[at] += 0.5
		with, gains := process(expander(t, s, rate), probe)
		without, _ := process(expander(t, s, rate), carrier)
		for i, g := range gains[len(gains)/2:] {
			if g != 0 {
				t.Fatalf("%g Hz: gain %g dB in step %d, want it open", rate, g, i)
			}
		}
		for _, hz := range []float64{30, 80, 160, 300, 700, 1800, 3000, 6000, 9000, 15000, 18000} {
			var re, im float64
			for i := at; i < n; i++ {
				w := 2 * math.Pi * hz * float64(i) / rate
				re += (with[i] - without[i]) * math.Cos(w)
				im += (with[i] - without[i]) * math.Sin(w)
			}
			if db := 20 * math.Log10(math.Hypot(re, im)/0.5); math.Abs(db) > 0.01 {
				t.Errorf("%g Hz rate: %.4f dB at %g Hz", rate, db, hz)
			}
		}
	}
}

// A band that closes takes its band down and leaves the others: rumble without
// speech, speech without rumble.
func TestExpanderBandsAreSeparate(t *testing.T) {
	const rate, n = 44100, 120 * dsp.Quantum
	s := ExpanderSettings{
		CrossoversHz: []float64{200, 4000},
		Bands:        []ExpanderBand{{-40, 10, 20}, {-40, 10, 10}, {-40, 10, 12}},
		AttackMS:     3, HoldMS: 20, ReleaseMS: 50,
	}
	for _, c := range []struct{ hz, in, gain, tolerance float64 }{
		{30, -20, 0, 0.01}, {30, -60, -20, 0.1}, {900, -60, -10, 0.1}, {15000, -60, -12, 0.1}, {15000, -20, 0, 0.01},
	} {
		other := 15000.0 // loud, and in another band
		if c.hz == 15000 {
			other = 30
		}
		loud := sine(other, -10, rate, n)
		x := sine(c.hz, c.in, rate, n)
		both := make([]float64, n)
		for i := range both {
			both[i] = loud[i] + x[i]
		}
		y, _ := process(expander(t, s, rate), both)
		got := amplitudeDB(y[n/2:], c.hz, rate) - c.in
		if math.Abs(got-c.gain) > c.tolerance {
			t.Errorf("%g Hz at %g dBFS: gain %.3f dB, want %g", c.hz, c.in, got, c.gain)
		}
	}
}

// amplitudeDB is the peak level of one frequency, under a Hann window.
func amplitudeDB(x []float64, hz, rateHz float64) float64 {
	var re, im, sum float64
	for i, v := range x {
		w := 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(len(x)))
		re += w * v * math.Cos(2*math.Pi*hz*float64(i)/rateHz)
		im += w * v * math.Sin(2*math.Pi*hz*float64(i)/rateHz)
		sum += w
	}
	return 20 * math.Log10(2*math.Hypot(re, im)/sum)
}

// Room tone 6 to 8 dB below the thresholds of its bands keeps them all closed.
func TestExpanderStaysClosedInRoomTone(t *testing.T) {
	const rate = 44100
	x := dsptest.Noise(5, 500*dsp.Quantum)
	falling, _ := filter.Lowpass(100, 6, rate)
	kernel.NewCascade(falling).Process(x)
	s := fourBands
	s.Bands = append([]ExpanderBand(nil), s.Bands...)
	crossover, err := filter.NewCrossover(s.CrossoversHz, rate)
	if err != nil {
		t.Fatal(err)
	}
	bands := make([][]float64, 4)
	for i := range bands {
		bands[i] = make([]float64, len(x))
	}
	crossover.Split(x, bands)
	for i, over := range []float64{8, 7, 7, 6} {
		s.Bands[i] = ExpanderBand{levelDB(bands[i]) + over, 100, 10} // any opening shows
	}
	y, _ := process(expander(t, s, rate), x)
	if got := levelDB(y) - levelDB(x); math.Abs(got+10) > 0.05 {
		t.Errorf("the room tone is turned down by %.3f dB, want -10", got)
	}
}

// A level between the two thresholds stays open after speech, for 2 s, and
// stays closed after silence.
func TestExpanderHysteresis(t *testing.T) {
	const rate = 44100
	s := ExpanderSettings{Bands: []ExpanderBand{{-50, 4, 12}}, AttackMS: 1, HoldMS: 0, ReleaseMS: 10, HysteresisDB: 6}
	second := rate / dsp.Quantum * dsp.Quantum
	x := append(square(-53, second), square(-20, second)...) // closed, open
	x = append(x, square(-53, 4*second)...)                  // between: open, later closed
	x = append(x, square(-20, second)...)                    // open
	x = append(x, square(-57, second)...)                    // below both
	x = append(x, square(-53, second)...)                    // between: still closed
	y, _ := process(expander(t, s, rate), x)
	for _, c := range []struct{ seconds, gain float64 }{
		{0.9, -9}, {1.9, 0}, {2.9, 0}, {3.9, 0}, {4.2, -9}, {5.9, -9}, {6.9, 0}, {7.9, -12}, {8.9, -9},
	} {
		i := int(c.seconds * float64(second))
		if got := 20 * math.Log10(y[i]/x[i]); math.Abs(got-c.gain) > 0.01 {
			t.Errorf("after %g s the gain is %.3f dB, want %g", c.seconds, got, c.gain)
		}
	}
}

// The trace is the deepest band's.
func TestExpanderTrace(t *testing.T) {
	const rate = 44100
	s := ExpanderSettings{
		CrossoversHz: []float64{1000}, Bands: []ExpanderBand{{-40, 10, 20}, {-40, 10, 6}},
		AttackMS: 3, HoldMS: 20, ReleaseMS: 50,
	}
	for _, c := range []struct{ hz, in, deepest float64 }{{200, -20, -6}, {6000, -20, -20}, {6000, -80, -20}} {
		_, gains := process(expander(t, s, rate), sine(c.hz, c.in, rate, 40*dsp.Quantum))
		if got := gains[len(gains)-1]; math.Abs(got-c.deepest) > 0.001 {
			t.Errorf("%g Hz at %g dBFS: the trace ends at %.3f dB, want %g", c.hz, c.in, got, c.deepest)
		}
	}
}

func TestExpanderGolden(t *testing.T) {
	golden(t, "one band", expander(t, oneBand(ExpanderBand{-50, 2, 12}), 44100), 44100, "43e1207c0fe46edf4aefd4fbe1299b5e")
	golden(t, "four bands", expander(t, fourBands, 44100), 44100, "a0c4b6a5b0b29727774a313d3c4590d4")
	golden(t, "four bands", expander(t, fourBands, 96000), 96000, "6315279e8394e4c01a6d63d3dee3e1e0")
}

func TestExpanderRefuses(t *testing.T) {
	for _, c := range []struct {
		change func(*ExpanderSettings)
		rate   float64
		says   []string
	}{
		{func(s *ExpanderSettings) { s.Bands = nil }, 44100, []string{"bands", "0", "1 to 4"}},
		{func(s *ExpanderSettings) { s.CrossoversHz = nil }, 44100, []string{"bands has 4", "crossovers_hz 0"}},
		{func(s *ExpanderSettings) { s.Bands = []ExpanderBand{{}, {}} }, 44100, []string{"bands has 2", "crossovers_hz 3"}},
		{func(s *ExpanderSettings) { s.Bands[2].Ratio = 0.5 }, 44100, []string{"bands[2].ratio", "0.5", "1 to 100"}},
		{func(s *ExpanderSettings) { s.Bands[0].ThresholdDBFS = 1 }, 44100, []string{"bands[0].threshold_dbfs", "1", "-120 to 0"}},
		{func(s *ExpanderSettings) { s.Bands[3].RangeDB = -6 }, 44100, []string{"bands[3].range_db", "-6", "0 to 80"}},
		{func(s *ExpanderSettings) { s.KneeDB = 30 }, 44100, []string{"knee_db", "30", "0 to 24"}},
		{func(s *ExpanderSettings) { s.LookAheadMS = 60 }, 44100, []string{"look_ahead_ms", "60", "0 to 50"}},
		{func(s *ExpanderSettings) { s.AttackMS = math.NaN() }, 44100, []string{"attack_ms", "NaN", "0 to 200"}},
		{func(s *ExpanderSettings) { s.HoldMS = -1 }, 44100, []string{"hold_ms", "-1", "0 to 1000"}},
		{func(s *ExpanderSettings) { s.ReleaseMS = 0 }, 44100, []string{"release_ms", "0", "1 to 450"}},
		{func(s *ExpanderSettings) { s.HysteresisDB = 13 }, 44100, []string{"hysteresis_db", "13", "0 to 12"}},
		{func(s *ExpanderSettings) { s.CrossoversHz = []float64{160, 150, 6000} }, 44100, []string{"crossovers_hz[1]", "150"}},
		{func(s *ExpanderSettings) {}, 1000, []string{"rate_hz", "1000"}},
	} {
		s := fourBands
		s.Bands = append([]ExpanderBand(nil), s.Bands...)
		c.change(&s)
		_, err := NewExpander(s, c.rate)
		refuses(t, err, c.says...)
	}
}

func BenchmarkExpander(b *testing.B) {
	b.Run("one band", func(b *testing.B) { benchmark(b, expander(b, oneBand(ExpanderBand{-50, 2, 12}), 44100)) })
	b.Run("four bands", func(b *testing.B) { benchmark(b, expander(b, fourBands, 44100)) })
}

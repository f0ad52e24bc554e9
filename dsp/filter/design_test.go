package filter_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

const rate = 44100.0

func must(t testing.TB) func([]kernel.Biquad, error) []kernel.Biquad {
	return func(s []kernel.Biquad, err error) []kernel.Biquad {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
}

func gainAt(s []kernel.Biquad, hz, rateHz float64) float64 {
	db, _ := kernel.Response(s, hz, rateHz)
	return db
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.6f, want %.6f ±%g", what, got, want, tolerance)
	}
}

// What must hold for any legal parameters.
func TestInvariants(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 1))
	for range 300 {
		rateHz := []float64{22050, 44100, 48000, 96000}[random.IntN(4)]
		hz := 20 * math.Pow(rateHz*0.45/20, random.Float64())
		gain, q := 48*random.Float64()-24, 0.1*math.Pow(400, random.Float64())
		slope := 0.1 + 0.9*random.Float64()
		name := fmt.Sprintf("at %.6g Hz, %.3g dB, Q %.3g, S %.3g, rate %g: ", hz, gain, q, slope, rateHz)

		bell := must(t)(filter.Bell(hz, gain, q, rateHz))
		near(t, name+"bell", gainAt(bell, hz, rateHz), gain, 1e-6)
		undo := must(t)(filter.Bell(hz, -gain, q, rateHz))
		low := must(t)(filter.LowShelf(hz, gain, slope, rateHz))
		high := must(t)(filter.HighShelf(hz, gain, slope, rateHz))
		near(t, name+"low shelf at its corner", gainAt(low, hz, rateHz), gain/2, 1e-6)
		near(t, name+"high shelf at its corner", gainAt(high, hz, rateHz), gain/2, 1e-6)
		near(t, name+"low shelf at 0 Hz", gainAt(low, 0, rateHz), gain, 1e-4)
		near(t, name+"low shelf at half the rate", gainAt(low, rateHz/2, rateHz), 0, 1e-4)
		near(t, name+"high shelf at 0 Hz", gainAt(high, 0, rateHz), 0, 1e-4)
		near(t, name+"high shelf at half the rate", gainAt(high, rateHz/2, rateHz), gain, 1e-4)
		for range 5 {
			f := random.Float64() * rateHz / 2
			near(t, name+"bell undone", gainAt(bell, f, rateHz)+gainAt(undo, f, rateHz), 0, 1e-6)
		}

		steep := 6 * (1 + random.IntN(8))
		hp, lp := must(t)(filter.Highpass(hz, steep, rateHz)), must(t)(filter.Lowpass(hz, steep, rateHz))
		for range 5 {
			f := 10 * math.Pow(rateHz*0.49/10, random.Float64())
			omega := math.Tan(math.Pi*f/rateHz) / math.Tan(math.Pi*hz/rateHz)
			power := math.Pow(omega, float64(steep)/3)
			if want := -10 * math.Log10(1+power); want > -100 {
				near(t, fmt.Sprintf("%s%d dB/oct low-pass at %g", name, steep, f), gainAt(lp, f, rateHz), want, 1e-4)
			}
			if want := -10 * math.Log10(1+1/power); want > -100 {
				near(t, fmt.Sprintf("%s%d dB/oct high-pass at %g", name, steep, f), gainAt(hp, f, rateHz), want, 1e-4)
			}
		}
	}
}

// While its bands are left alone, a crossover changes no level; each band is
// what BandGainDB says, and falls at 24 dB per octave or more. Measured on
// the processed impulse.
func TestCrossover(t *testing.T) {
	random := rand.New(rand.NewPCG(8, 1))
	worst := 0.0
	for _, crossovers := range [][]float64{
		{180}, {2600}, {20}, {160, 1800}, {1000, 1260}, {160, 1800, 6000}, {100, 200, 400}, {300, 6000, 12000},
	} {
		for _, rateHz := range []float64{44100, 96000} {
			name := fmt.Sprintf("%v at %g", crossovers, rateHz)
			n := int(0.5 * rateHz)
			sum := impulse(newBand(t, crossovers, rateHz, -1), n, random)
			c, err := filter.NewCrossover(crossovers, rateHz)
			if err != nil {
				t.Fatal(err)
			}
			var bands [][]float64
			for k := range len(crossovers) + 1 {
				bands = append(bands, impulse(newBand(t, crossovers, rateHz, k), n, random))
			}
			for hz := 20.0; hz < rateHz/2; hz *= 1.3 {
				db, _ := spectrumAt(sum, hz, rateHz)
				worst = max(worst, math.Abs(db))
				near(t, fmt.Sprintf("%s: the sum at %.5g Hz", name, hz), db, 0, 0.01)
				for k, h := range bands {
					want := c.BandGainDB(k, hz)
					if db, _ := spectrumAt(h, hz, rateHz); want > -100 {
						near(t, fmt.Sprintf("%s: band %d at %.5g Hz", name, k, hz), db, want, 0.001)
					}
					if k > 0 && hz < crossovers[k-1]/2 { // below its lower edge
						if fall := c.BandGainDB(k, hz) - c.BandGainDB(k, hz/2); fall < 23.5 {
							t.Errorf("%s: band %d falls by %.2f dB in the octave below %g Hz", name, k, fall, hz)
						}
					}
				}
			}
			for k, hz := range crossovers {
				if len(crossovers) == 1 {
					near(t, name+": low band at the crossover", c.BandGainDB(k, hz), -6.0206, 1e-4)
					near(t, name+": high band at the crossover", c.BandGainDB(k+1, hz), -6.0206, 1e-4)
				}
			}
		}
	}
	t.Logf("idle sums are flat within %.2g dB", worst)
}

// The floor is flat, the sides are steep, the surroundings untouched: for any
// edges and gains, from the sections' response.
func TestPlateau(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 1))
	for i := range 400 {
		rateHz := []float64{44100, 48000, 96000}[random.IntN(3)]
		from := 20 * math.Pow(5000/20, random.Float64())
		octaves := 1./12 + 5*random.Float64()*random.Float64()
		to := min(from*math.Pow(2, octaves), 0.45*rateHz)
		gain := 36*random.Float64() - 18
		if i == 0 {
			from, to, gain, rateHz = 560, 780, -3, 44100
		}
		s := must(t)(filter.Plateau(from, to, gain, rateHz))
		name := fmt.Sprintf("%.5g-%.5g Hz, %.2f dB, rate %g, %d sections: ", from, to, gain, rateHz, len(s))
		for _, q := range s {
			if !(math.Abs(q.A2) < 1 && math.Abs(q.A1) < 1+q.A2) {
				t.Fatalf("%sunstable section %v", name, q)
			}
		}
		margin := math.Pow(to/from, 0.1)
		for hz := from * margin; hz <= to/margin; hz *= math.Pow(to/from, 0.01) {
			near(t, fmt.Sprintf("%sfloor at %.5g", name, hz), gainAt(s, hz, rateHz), gain, 0.25001)
		}
		near(t, name+"lower edge", gainAt(s, from, rateHz), gain/2, 1e-3)
		near(t, name+"upper edge", gainAt(s, to, rateHz), gain/2, 1e-3)
		for outside := math.Pow(2, 1./3); outside < 100; outside *= 1.2 {
			near(t, fmt.Sprintf("%sbelow, at %.5g", name, from/outside), gainAt(s, from/outside, rateHz), 0, 0.50001)
			if hz := to * outside; hz < rateHz/2 {
				near(t, fmt.Sprintf("%sabove, at %.5g", name, hz), gainAt(s, hz, rateHz), 0, 0.50001)
			}
		}
		undo := must(t)(filter.Plateau(from, to, -gain, rateHz))
		for range 3 {
			hz := random.Float64() * rateHz / 2
			near(t, name+"undone", gainAt(s, hz, rateHz)+gainAt(undo, hz, rateHz), 0, 1e-5)
		}
	}
}

// The same, as the processed impulse shows it. The delay of the phase turn
// stays below what is heard in Blauert and Laws, "Group delay distortions in
// electroacoustical systems", JASA 63, 1978 (3.2 ms at 500 Hz, 2 ms at 1 kHz,
// 1 ms at 2 kHz; from memory).
func TestPlateauProcessed(t *testing.T) {
	random := rand.New(rand.NewPCG(10, 1))
	for _, c := range []struct{ from, to, gain, mostDelayMs float64 }{
		{560, 780, -3, 2},
		{560, 780, 3, 2},
		{200, 500, -6, 3.2},
		{2000, 5000, -12, 1},
	} {
		s := must(t)(filter.Plateau(c.from, c.to, c.gain, rate))
		h := impulse(filter.New(s), 44100, random)
		name := fmt.Sprintf("%g-%g Hz, %g dB: ", c.from, c.to, c.gain)
		margin := math.Pow(c.to/c.from, 0.1)
		worst, centre := 0.0, 0.0
		for hz := c.from / 2; hz < c.to*2; hz *= 1.015 {
			db, phase := spectrumAt(h, hz, rate)
			switch {
			case hz >= c.from*margin && hz <= c.to/margin:
				near(t, fmt.Sprintf("%sfloor at %.5g", name, hz), db, c.gain, 0.25)
			case hz <= c.from/math.Pow(2, 1./3) || hz >= c.to*math.Pow(2, 1./3):
				near(t, fmt.Sprintf("%soutside at %.5g", name, hz), db, 0, 0.5)
			}
			_, next := spectrumAt(h, hz+0.1, rate)
			delay := -math.Remainder(next-phase, 360) / 360 / 0.1 * 1000
			if math.Abs(delay) > math.Abs(worst) {
				worst, centre = delay, hz
			}
		}
		if math.Abs(worst) > c.mostDelayMs {
			t.Errorf("%sdelay of %.2f ms at %.0f Hz, want at most %g", name, worst, centre, c.mostDelayMs)
		}
		t.Logf("%s%d sections, largest group delay %.2f ms at %.0f Hz", name, len(s), worst, centre)
	}
}

func TestNoGainIsNoSection(t *testing.T) {
	for name, s := range map[string][]kernel.Biquad{
		"bell":       must(t)(filter.Bell(1000, 0, 1, rate)),
		"low shelf":  must(t)(filter.LowShelf(1000, 0, 1, rate)),
		"high shelf": must(t)(filter.HighShelf(1000, 0, 1, rate)),
		"plateau":    must(t)(filter.Plateau(500, 1000, 0, rate)),
	} {
		if len(s) != 0 {
			t.Errorf("%s of 0 dB has %d sections", name, len(s))
		}
	}
	block, want := dsptest.Noise(1, dsp.Quantum), dsptest.Noise(1, dsp.Quantum)
	filter.New(nil).Process(block)
	if dsptest.Digest(block) != dsptest.Digest(want) {
		t.Error("a filter without sections changes the signal")
	}
}

// A fault names its key, the value and what is legal.
func TestFaults(t *testing.T) {
	fault := func(_ []kernel.Biquad, err error) error { return err }
	crossover := func(hz ...float64) error { _, err := filter.NewCrossover(hz, rate); return err }
	nan := math.NaN()
	for _, c := range []struct {
		err  error
		want string
	}{
		{fault(filter.Highpass(5, 12, rate)), "cutoff_hz is 5, it must be 10 to 19845"},
		{fault(filter.Highpass(nan, 12, rate)), "cutoff_hz is NaN, it must be 10 to 19845"},
		{fault(filter.Lowpass(20000, 12, rate)), "cutoff_hz is 20000, it must be 10 to 19845"},
		{fault(filter.Lowpass(1000, 20, rate)), "slope_db_per_octave is 20, it must be 6, 12, 18, 24, 30, 36, 42 or 48"},
		{fault(filter.Lowpass(1000, 54, rate)), "slope_db_per_octave is 54"},
		{fault(filter.Highpass(1000, 0, rate)), "slope_db_per_octave is 0"},
		{fault(filter.Highpass(1000, 12, 1000)), "rate_hz is 1000, it must be 8000 to 384000"},
		{fault(filter.Bell(30000, 1, 1, rate)), "centre_hz is 30000"},
		{fault(filter.Bell(1000, 25, 1, rate)), "gain_db is 25, it must be -24 to 24"},
		{fault(filter.Bell(1000, 1, 0, rate)), "q is 0, it must be 0.1 to 40"},
		{fault(filter.LowShelf(1000, 1, 1.1, rate)), "slope is 1.1, it must be 0.1 to 1"},
		{fault(filter.HighShelf(1000, -30, 1, rate)), "gain_db is -30"},
		{fault(filter.HighShelf(1, -3, 1, rate)), "corner_hz is 1,"},
		{fault(filter.Notch(50, 101, rate)), "q is 101, it must be 1 to 100"},
		{fault(filter.Bandpass(50, 50, rate)), "q is 50, it must be 0.1 to 40"},
		{fault(filter.Plateau(500, 510, -3, rate)), "to_hz is 510, it must be 529.7 or more"},
		{fault(filter.Plateau(500, 400, -3, rate)), "to_hz is 400"},
		{fault(filter.Plateau(500, 900, -19, rate)), "gain_db is -19, it must be -18 to 18"},
		{fault(filter.Plateau(6000, 19845, -18, rate)), "too steep for the rate 44100; lower to_hz or the gain"},
		{crossover(), "crossovers_hz has 0 frequencies, it must have 1 to 3"},
		{crossover(1, 2, 3, 4), "crossovers_hz has 4 frequencies"},
		{crossover(100, 99), "crossovers_hz[1] is 99, it must be 126 or more"},
		{crossover(100, 200, 30000), "crossovers_hz[2] is 30000"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.want) {
			t.Errorf("the fault is %v, want %q", c.err, c.want)
		}
	}
}

func TestContract(t *testing.T) {
	for _, rateHz := range []float64{44100, 96000} {
		must := must(t)
		for name, c := range map[string]struct {
			sections []kernel.Biquad
			exercise func(*testing.T, float64, func() dsp.Processor)
		}{
			"highpass":  {must(filter.Highpass(65, 18, rateHz)), dsptest.Exercise},
			"lowpass":   {must(filter.Lowpass(16000, 6, rateHz)), dsptest.ExerciseExceptLatency},
			"steep":     {must(filter.Lowpass(4000, 48, rateHz)), dsptest.ExerciseExceptLatency},
			"bell":      {must(filter.Bell(178, -3.5, 3, rateHz)), dsptest.Exercise},
			"low shelf": {must(filter.LowShelf(120, 2.5, 1, rateHz)), dsptest.Exercise},
			"air":       {must(filter.HighShelf(10000, 1, 1, rateHz)), dsptest.Exercise},
			"notch":     {must(filter.Notch(50, 30, rateHz)), dsptest.Exercise},
			"bandpass":  {must(filter.Bandpass(1000, 0.3, rateHz)), dsptest.ExerciseExceptLatency},
			"plateau":   {must(filter.Plateau(560, 780, -3, rateHz)), dsptest.Exercise},
			"nothing":   {nil, dsptest.Exercise},
		} {
			t.Run(fmt.Sprintf("%s/%g", name, rateHz), func(t *testing.T) {
				make := func() dsp.Processor { return filter.New(c.sections) }
				c.exercise(t, rateHz, make)
				dsptest.Settle(t, rateHz, make, filter.SettleFrames(c.sections))
			})
		}
		for _, keep := range []int{-1, 0, 1, 3} {
			t.Run(fmt.Sprintf("crossover band %d/%g", keep, rateHz), func(t *testing.T) {
				make := func() dsp.Processor { return newBand(t, []float64{160, 1800, 6000}, rateHz, keep) }
				dsptest.ExerciseExceptLatency(t, rateHz, make)
				c, err := filter.NewCrossover([]float64{160, 1800, 6000}, rateHz)
				if err != nil {
					t.Fatal(err)
				}
				dsptest.Settle(t, rateHz, make, c.SettleFrames())
			})
		}
	}
}

func BenchmarkFilter(b *testing.B) {
	must := must(b)
	noise, block := dsptest.Noise(1, dsp.Quantum), make([]float64, dsp.Quantum)
	for _, c := range []struct {
		name string
		p    dsp.Processor
	}{
		{"highpass-18dB", filter.New(must(filter.Highpass(65, 18, rate)))},
		{"bell", filter.New(must(filter.Bell(178, -3.5, 3, rate)))},
		{"plateau", filter.New(must(filter.Plateau(560, 780, -3, rate)))},
		{"crossover-2-bands", newBand(b, []float64{1800}, rate, -1)},
		{"crossover-4-bands", newBand(b, []float64{160, 1800, 6000}, rate, -1)},
	} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				copy(block, noise)
				c.p.Process(block)
			}
			b.ReportMetric(float64(b.N)*dsp.Quantum/rate/b.Elapsed().Seconds(), "x-realtime")
		})
	}
}

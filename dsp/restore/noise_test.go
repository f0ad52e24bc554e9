package restore_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/restore"
	"chapterhouse/dsp/spectrum"
)

func newNoise(t testing.TB, s restore.NoiseSettings, rateHz float64) *restore.Noise {
	t.Helper()
	n, err := restore.NewNoise(s, rateHz)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// evenTone is a room tone of one level in every sixth of an octave.
func evenTone(level float64) []dsp.DBFS {
	tone := make([]dsp.DBFS, len(spectrum.SixthOctaves()))
	for i := range tone {
		tone[i] = dsp.DBFS(level)
	}
	return tone
}

func TestNoiseKeepsTheContract(t *testing.T) {
	s := restore.NoiseSettings{RoomTone: evenTone(-85), ReductionDB: 12}
	for _, rate := range []float64{44100, 48000, 88200, 96000} {
		make := func() dsp.Processor { return newNoise(t, s, rate) }
		dsptest.Exercise(t, rate, make)
		dsptest.Settle(t, rate, make, s.Settle(rate))
	}
}

func TestNoiseRefuses(t *testing.T) {
	for want, s := range map[string]restore.NoiseSettings{
		"reduction_db is 12.5, it must be 0 to 12": {ReductionDB: 12.5},
		"reduction_db is NaN":                      {ReductionDB: math.NaN()},
		"has 3 bands, want 60":                     {RoomTone: make([]dsp.DBFS, 3), ReductionDB: 6},
	} {
		if _, err := restore.NewNoise(s, 44100); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want one with %q", err, want)
		}
	}
	if _, err := restore.NewNoise(restore.NoiseSettings{}, 4000); err == nil {
		t.Error("4000 Hz was taken")
	}
}

// Without a room tone, and without a reduction, nothing changes but the delay.
func TestNoiseAtRestKeepsBits(t *testing.T) {
	for _, rate := range []float64{44100, 96000} {
		for name, s := range map[string]restore.NoiseSettings{
			"no tone":      {ReductionDB: 12},
			"silence":      {RoomTone: evenTone(math.Inf(-1)), ReductionDB: 12},
			"not measured": {RoomTone: evenTone(math.NaN()), ReductionDB: 12},
			"no reduction": {RoomTone: evenTone(-70)},
		} {
			n := newNoise(t, s, rate)
			if late := newNoise(t, restore.NoiseSettings{RoomTone: evenTone(-70), ReductionDB: 12}, rate).Latency(); n.Latency() != late || late == 0 {
				t.Errorf("%s at %g Hz: latency %d, at work %d", name, rate, n.Latency(), late)
			}
			x := dsptest.Speechlike(3, 30*dsp.Quantum, rate)
			if list := changed(x, through(n, x), rate); len(list) > 0 {
				t.Errorf("%s at %g Hz: bits changed at %v", name, rate, list[0])
			}
		}
	}
}

// Frames that are changed by nothing add up to what came in: speech that stands
// 100 dB and more over the room tone comes out within -110 dB.
func TestNoiseReconstructs(t *testing.T) {
	for _, rate := range []float64{44100, 48000, 96000} {
		x := dsptest.Noise(4, 60*dsp.Quantum)
		y := through(newNoise(t, restore.NoiseSettings{RoomTone: evenTone(-150), ReductionDB: 12}, rate), x)
		var power, difference float64
		for i := 3 * dsp.Quantum; i < len(x); i++ {
			power += x[i] * x[i]
			difference += (y[i] - x[i]) * (y[i] - x[i])
		}
		if db := 10 * math.Log10(difference/power); db > -110 {
			t.Errorf("%g Hz: %.1f dB", rate, db)
		}
	}
}

// A colour of noise is white noise through low-passes of first order, each at
// its corner in Hz and with its gain.
var colours = map[string][][2]float64{
	"white": {{1e9, 1}},
	"pink":  {{10, 1}, {40, 0.5}, {160, 0.25}, {640, 0.125}, {2560, 0.0625}, {10240, 0.03}},
	"brown": {{25, 1}, {1e9, 0.002}},
}

// noiseOf is noise of a colour at a level, plain RMS.
func noiseOf(colour string, dbfs float64, seed uint64, n int, rateHz float64) []float64 {
	x := make([]float64, n)
	white := dsptest.Noise(seed, n)
	for _, p := range colours[colour] {
		k, state := 1-math.Exp(-2*math.Pi*p[0]/rateHz), 0.0
		for i, v := range white {
			state += k * (v - state)
			x[i] += p[1] * state
		}
	}
	gain := math.Pow(10, dbfs/20) / math.Sqrt(square(x))
	for i := range x {
		x[i] *= gain
	}
	return x
}

// square is the mean square.
func square(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return sum / float64(len(x))
}

// toneOf is what a profile says of noise.
func toneOf(t testing.TB, x []float64, rateHz float64) []dsp.DBFS {
	t.Helper()
	w, err := spectrum.NewWelch(8192)
	if err != nil {
		t.Fatal(err)
	}
	w.Write(x)
	return spectrum.Levels(w.Power(), int(rateHz), spectrum.SixthOctaves())
}

// tinkle is the kurtosis E(P⁴)/E(P²)² of a power spectrogram, each bin counted
// against its own mean, from 50 Hz to 16 kHz, and the share of bins that are 10
// dB over it: in frames of 1411 samples, 397 apart.
func tinkle(t testing.TB, x []float64, rateHz float64) (kurtosis, outliers float64) {
	t.Helper()
	const size, hop, n = 1411, 397, 2048
	fft, err := spectrum.NewFFT(n)
	if err != nil {
		t.Fatal(err)
	}
	window, frame, bins := spectrum.Hann(size), make([]float64, n), make([]complex128, n/2+1)
	var all [][]float64
	mean := make([]float64, n/2+1)
	for at := 0; at+size <= len(x); at += hop {
		for i, w := range window {
			frame[i] = w * x[at+i]
		}
		fft.Forward(bins, frame)
		power := make([]float64, len(bins))
		for k, v := range bins {
			power[k] = real(v)*real(v) + imag(v)*imag(v)
			mean[k] += power[k]
		}
		all = append(all, power)
	}
	var second, fourth, over, count float64
	for _, power := range all {
		for k := int(50 * n / rateHz); k < int(16000*n/rateHz); k++ {
			p := power[k] / mean[k] * float64(len(all))
			second += p * p
			fourth += p * p * p * p
			count++
			if p > 10 {
				over++
			}
		}
	}
	return fourth / count / (second / count * second / count), over / count
}

// Noise is lowered by the reduction and stays the noise that it was: the
// logarithm of the kurtosis ratio stays within 0.5 and outliers below five times
// the raw ones (Uemura et al. 2008), where the profile is right, where it is 2 dB
// off, and once noise that has grown by 6 dB has been followed.
func TestNoiseDoesNotTinkle(t *testing.T) {
	const seconds = 8
	for _, rate := range []float64{44100, 48000} {
		for colour := range colours {
			for _, off := range []float64{0, 2, 6} {
				n := seconds * int(rate)
				tone := toneOf(t, noiseOf(colour, -60-off, 11, n, rate), rate)
				x := noiseOf(colour, -60, 12, n, rate)
				y := through(newNoise(t, restore.NoiseSettings{RoomTone: tone, ReductionDB: 12}, rate), x)
				name := fmt.Sprintf("%s, %g dB over its profile, %g Hz", colour, off, rate)
				from := 4 * dsp.Quantum
				if off > 2 {
					from = int(4.2 * rate)
				}
				x, y = x[from:], y[from:]
				lowered := 10 * math.Log10(square(x)/square(y))
				before, outliers := tinkle(t, x, rate)
				after, left := tinkle(t, y, rate)
				ratio := math.Log(after / before)
				t.Logf("%s: lowered %.2f dB, log kurtosis ratio %+.2f, outliers %.1f times", name, lowered, ratio, left/outliers)
				if lowered < 9 || lowered > 12.01 {
					t.Errorf("%s: lowered by %.2f dB", name, lowered)
				}
				if math.Abs(ratio) > 0.5 || left > 5*outliers {
					t.Errorf("%s: log kurtosis ratio %+.2f, outliers %.1f times the raw ones", name, ratio, left/outliers)
				}
			}
		}
	}
}

// Words keep their first 30 ms: sounds of 150 ms, harmonics from 120 Hz up that
// fall by 6 dB an octave, begin at once in white noise and lose at most 1 dB.
func TestNoiseSparesOnsets(t *testing.T) {
	for _, rate := range []float64{44100, 48000} {
		for _, under := range []float64{20, 30, 40, 60} {
			n := 6 * int(rate)
			clean := make([]float64, n)
			var starts []int
			for at := int(0.7 * rate); at < n-int(rate/2); at += int(0.51 * rate) {
				starts = append(starts, at)
				for i := range int(0.15 * rate) {
					for h := 1.0; h < 60; h++ {
						clean[at+i] += 0.1 / h * math.Cos(2*math.Pi*120*h*float64(i)/rate+h*h)
					}
				}
			}
			level := 10 * math.Log10(square(clean[starts[0]:starts[0]+int(0.15*rate)]))
			noise := noiseOf("white", level-under, 21, n, rate)
			x := make([]float64, n)
			for i := range x {
				x[i] = clean[i] + noise[i]
			}
			y := through(newNoise(t, restore.NoiseSettings{RoomTone: toneOf(t, noise, rate), ReductionDB: 12}, rate), x)
			var in, out float64 // the clean sound's share in both
			for _, at := range starts {
				for i := at; i < at+int(0.03*rate); i++ {
					in += x[i] * clean[i]
					out += y[i] * clean[i]
				}
			}
			loss := 20 * math.Log10(in/out)
			t.Logf("%g dB, %g Hz: %.2f dB", under, rate, loss)
			if loss > 1 {
				t.Errorf("noise %g dB under, %g Hz: words lose %.2f dB in their first 30 ms", under, rate, loss)
			}
			lowered := 10 * math.Log10(square(x[:starts[0]-int(0.1*rate)])/square(y[:starts[0]-int(0.1*rate)]))
			if lowered < 11 {
				t.Errorf("noise %g dB under, %g Hz: lowered by %.1f dB before the first", under, rate, lowered)
			}
		}
	}
}

// Speech is not followed as if it were noise: a voice that goes on for 12 s, in
// syllables, keeps in its last 6 s what it kept in the first 3, before anything
// could be followed; 20 dB over the noise in its own bins, and loud.
func TestNoiseDoesNotFollowSpeech(t *testing.T) {
	const rate, n = 44100, 12 * 44100
	noise := noiseOf("white", -70, 51, n, rate)
	for _, over := range []float64{20, 60} {
		// The noise has -70 - 27 dBFS in a bin of 43 Hz.
		gain := math.Pow(10, (-97+over+3)/20)
		x := make([]float64, n)
		for i := range x {
			// Four syllables a second, 74 ms apart.
			syllable := max(0, 0.6-math.Cos(2*math.Pi*4*float64(i)/rate)) / 1.6
			x[i] = noise[i]
			for h := 1.0; h < 16; h++ {
				x[i] += gain * syllable * math.Sin(2*math.Pi*240*h*float64(i)/rate+h*h)
			}
		}
		y := through(newNoise(t, restore.NoiseSettings{RoomTone: toneOf(t, noise, rate), ReductionDB: 12}, rate), x)
		level := func(x []float64, from, to int) float64 { // of 720 Hz, its third harmonic
			re, im := 0.0, 0.0
			for i := from; i < to; i++ {
				re += x[i] * math.Cos(2*math.Pi*720*float64(i)/rate)
				im += x[i] * math.Sin(2*math.Pi*720*float64(i)/rate)
			}
			return 10 * math.Log10(re*re+im*im)
		}
		early := level(x, rate, 3*rate) - level(y, rate, 3*rate)
		late := level(x, n/2, n) - level(y, n/2, n)
		t.Logf("a voice %g dB over the noise loses %.2f dB early, %.2f dB late", over, early, late)
		if late > early+0.2 || late > 2 {
			t.Errorf("a voice %g dB over the noise loses %.2f dB early and %.2f dB late", over, early, late)
		}
	}
}

// The gauge tells how far all power together was lowered: the reduction in room
// tone, next to nothing in a loud word, and its trace multiplies the input to
// the level of the output.
func TestNoiseGauge(t *testing.T) {
	const rate = 44100
	noise := noiseOf("pink", -60, 31, 4*rate, rate)
	x := append([]float64(nil), noise...)
	for i := 2 * rate; i < 3*rate; i++ {
		x[i] += 0.1 * math.Sin(2*math.Pi*440*float64(i)/rate)
	}
	n := newNoise(t, restore.NoiseSettings{RoomTone: toneOf(t, noise, rate), ReductionDB: 10}, rate)
	gains := map[int]float64{}
	e := dsp.NewEngine(0, n)
	e.OnQuantum(func(at dsp.Frames, _ int, gainsDB []float64) {
		for i, g := range gainsDB {
			gains[int(at)+8*i] = g
		}
	})
	drop := func([]float64) {}
	e.Write(x, drop)
	e.Close(drop)
	for at, limits := range map[int][2]float64{1 * rate: {-10.01, -9}, 5 * rate / 2: {-0.2, 0.01}, 7 * rate / 2: {-10.01, -9}} {
		if g := gains[at/8*8]; g < limits[0] || g > limits[1] {
			t.Errorf("at %.1f s: %.2f dB, want %g to %g", float64(at)/rate, g, limits[0], limits[1])
		}
	}
	silent := newNoise(t, restore.NoiseSettings{RoomTone: toneOf(t, noise, rate), ReductionDB: 10}, rate)
	silent.Process(make([]float64, dsp.Quantum))
	for _, g := range silent.GainsDB() {
		if g != 0 {
			t.Fatalf("%g dB in digital silence", g)
		}
	}
}

// Louder by so much with its room tone, sound is changed in the same way.
func TestNoiseCountsFromTheTone(t *testing.T) {
	const rate = 44100
	x := dsptest.Speechlike(41, 4*rate, rate)
	loud := make([]float64, len(x))
	for i, v := range x {
		loud[i] = 4 * v
	}
	const louder = 12.041199826559248
	a := through(newNoise(t, restore.NoiseSettings{RoomTone: evenTone(-90), ReductionDB: 12}, rate), x)
	b := through(newNoise(t, restore.NoiseSettings{RoomTone: evenTone(-90 + louder), ReductionDB: 12}, rate), loud)
	for i := range a {
		if d := math.Abs(4*a[i] - b[i]); d > 1e-6 {
			t.Fatalf("sample %d: %g and %g", i, 4*a[i], b[i])
		}
	}
}

func BenchmarkNoise(b *testing.B) {
	for _, rate := range []float64{44100, 96000} {
		b.Run(fmt.Sprint(rate), func(b *testing.B) {
			x := dsptest.Speechlike(1, 200*dsp.Quantum, rate)
			n := newNoise(b, restore.NoiseSettings{RoomTone: evenTone(-85), ReductionDB: 9}, rate)
			block := make([]float64, dsp.Quantum)
			b.ReportAllocs()
			at := 0
			for b.Loop() {
				copy(block, x[at:])
				at = (at + dsp.Quantum) % len(x)
				n.Process(block)
			}
			b.ReportMetric(float64(b.N)*dsp.Quantum/rate/b.Elapsed().Seconds(), "x_real_time")
		})
	}
}

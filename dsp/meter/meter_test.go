package meter

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"chapterhouse/dsp"
)

func near(t *testing.T, what string, got, want, limit float64) {
	t.Helper()
	if got == want { // −Inf too
		return
	}
	if !(math.Abs(got-want) <= limit) {
		t.Errorf("%s: %.4f, want %.4f ±%.4f", what, got, want, limit)
	}
}

func measure(rateHz int, x []float64) Levels {
	m := New(rateHz, 1)
	m.Write(x)
	return m.Levels()
}

// signal makes samples from the phase in periods.
func signal(n int, periodsPerSample float64, f func(phase float64) float64) []float64 {
	x := make([]float64, n)
	for i := range x {
		_, phase := math.Modf(float64(i)*periodsPerSample + 0.125)
		x[i] = f(phase)
	}
	return x
}

// TestAmplitude: AES17 sets a full-scale sine to 0 dBFS; the rest is arithmetic.
func TestAmplitude(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	const n = 480000
	for _, c := range []struct {
		name              string
		x                 []float64
		rms, aes17, crest float64
	}{
		{"sine", signal(n, 1./480, func(p float64) float64 { return math.Sin(2 * math.Pi * p) }), -3.01, 0, 3.01},
		{"square", signal(n, 1./480, func(p float64) float64 { return math.Copysign(1, 0.5-p) }), 0, 3.01, 0},
		{"triangle", signal(n, 1./480, func(p float64) float64 { return 1 - 4*math.Abs(p-0.5) }), -4.77, -1.76, 4.77},
		{"uniform noise", signal(n, 0, func(float64) float64 { return 2*rng.Float64() - 1 }), -4.77, -1.76, 4.77},
	} {
		l := measure(48000, c.x)
		near(t, c.name+" RMS", float64(l.RMS), c.rms, 0.011)
		near(t, c.name+" AES17", float64(l.AES17), c.aes17, 0.011)
		near(t, c.name+" crest", float64(l.CrestDB), c.crest, 0.011)
		near(t, c.name+" sample peak", float64(l.SamplePeak), 0, 0.011)
		near(t, c.name+" sum of squares", 10*math.Log10(l.SumSquares/float64(l.Frames)), float64(l.RMS), 0.005)
	}
	offset := measure(48000, signal(n, 1./480, func(p float64) float64 { return -0.01 + 0.1*math.Sin(2*math.Pi*p) }))
	near(t, "DC of −0.01", float64(offset.DC), -40, 0.01)
}

// ITU-T P.56 method B: readings computed independently at 16 kHz with a 1 kHz
// tone of −20 dBFS peak.
func TestSpeechLevel(t *testing.T) {
	repeat := func(n int, s ...segment) []segment {
		var all []segment
		for range n {
			all = append(all, s...)
		}
		return all
	}
	for _, c := range []struct {
		name               string
		segments           []segment
		rms, asl, activity float64
	}{
		{"continuous", repeat(1, segment{20, -20}), -23.01, -23.01, 0.999},
		{"1 s on, 1 s off", repeat(10, segment{1, -20}, segment{1, silence}), -26.02, -24.07, 0.638},
		{"gaps shorter than the hangover", repeat(10, segment{1.5, -20}, segment{0.1, silence}), -23.29, -23.28, 0.999},
	} {
		t.Run("P.56 "+c.name, func(t *testing.T) {
			l := measure(16000, tone(16000, c.segments...))
			near(t, "RMS", float64(l.RMS), c.rms, 0.011)
			near(t, "active level", float64(l.Speech), c.asl, 0.011)
			near(t, "activity", l.Activity, c.activity, 0.001)
		})
	}
}

// TestSpeechCountsAgainstPlainLoop compares the counting at crossings with the
// recommendation's, sample by sample.
func TestSpeechCountsAgainstPlainLoop(t *testing.T) {
	const rate = 8000
	x := voice(rate, 20, 3)
	s := newSpeech(rate)
	s.add(x)

	g := math.Exp(-1 / (rate * 0.03))
	hangover := int64(rate * 0.2)
	var p, q float64
	var active, hang [speechThresholds]int64
	for j := range hang {
		hang[j] = hangover
	}
	for _, v := range x {
		p = g*p + (1-g)*math.Abs(v)
		q = g*q + (1-g)*p
		for j := range active {
			if q >= math.Ldexp(1, -1-j) {
				active[j]++
				hang[j] = 0
			} else if hang[j] < hangover {
				active[j]++
				hang[j]++
			}
		}
	}
	for j, want := range active {
		got := s.active[j]
		if j+1 >= s.lowest {
			got += s.n - s.since[j]
		} else {
			got += min(s.n-s.since[j], s.hangover)
		}
		if got != want {
			t.Errorf("threshold 2^-%d: %d samples, want %d", j+1, got, want)
		}
	}
}

// voice is a made-up narration: bursts of a buzz under a moving band of noise,
// with pauses, over a floor at about −62 dBFS.
func voice(rateHz int, seconds float64, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, int(seconds*float64(rateHz)))
	var until, level, low, phase float64
	speaking := true
	env := 0.0
	for i := range x {
		at := float64(i) / float64(rateHz)
		if at >= until {
			if speaking = !speaking; speaking {
				until = at + 0.12 + 0.5*rng.Float64()
				level = 0.03 + 0.2*rng.Float64()
			} else {
				until, level = at+0.02+0.6*rng.Float64()*rng.Float64(), 0
			}
		}
		env += (level - env) * 100 / float64(rateHz)
		_, phase = math.Modf(phase + (110+20*math.Sin(at*3))/float64(rateHz))
		noise := 2*rng.Float64() - 1
		low += 0.2 * (noise - low)
		x[i] = env*(1.4*(phase-0.5)+0.5*noise) + 0.0022*low + 0.0004*noise
	}
	return x
}

// TestEdgeCases: silence is −Inf, what can't be measured NaN, and both survive JSON.
func TestEdgeCases(t *testing.T) {
	inf, nan := math.Inf(-1), math.NaN()
	for _, c := range []struct {
		name                              string
		n                                 int
		rms, integrated, momentary, short float64
	}{
		{"nothing", 0, nan, nan, nan, nan},
		{"one sample of silence", 1, inf, nan, nan, nan},
		{"a second of silence", 44100, inf, inf, inf, nan},
		{"five seconds of silence", 5 * 44100, inf, inf, inf, inf},
	} {
		l := measure(44100, make([]float64, c.n))
		for what, v := range map[string][2]float64{
			"RMS": {float64(l.RMS), c.rms}, "AES17": {float64(l.AES17), c.rms}, "sample peak": {float64(l.SamplePeak), c.rms},
			"true peak": {float64(l.TruePeak), c.rms}, "DC": {float64(l.DC), c.rms}, "speech": {float64(l.Speech), c.rms},
			"integrated": {float64(l.Integrated), c.integrated}, "momentary": {float64(l.MaxMomentary), c.momentary},
			"short-term": {float64(l.MaxShortTerm), c.short}, "range": {float64(l.RangeLU), nan}, "crest": {float64(l.CrestDB), nan},
		} {
			if got, want := v[0], v[1]; got != want && !(math.IsNaN(got) && math.IsNaN(want)) {
				t.Errorf("%s: %s %v, want %v", c.name, what, got, want)
			}
		}
		text, err := json.Marshal(l)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		var back Levels
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if again, _ := json.Marshal(back); string(again) != string(text) {
			t.Errorf("%s: %s became %s", c.name, text, again)
		}
	}
}

func TestBlocksOfAnySize(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 9))
	for _, rate := range []int{11025, 22050, 44100, 48000} {
		left, right := voice(rate, 4.321, 1), voice(rate, 4.321, 2)
		whole := New(rate, 2)
		whole.Write(left, right)
		want := whole.Levels()
		for range 4 {
			m := New(rate, 2)
			for from := 0; from < len(left); {
				n := min(len(left)-from, rng.IntN(3000))
				m.Write(left[from:from+n], right[from:from+n])
				m.Levels() // a look in between changes nothing
				from += n
			}
			if got := m.Levels(); got != want {
				t.Fatalf("at %d Hz in pieces %+v, whole %+v", rate, got, want)
			}
			if a, b := m.loudness.maxMomentary, whole.loudness.maxMomentary; a != b {
				t.Errorf("at %d Hz momentary energy %v in pieces, %v whole", rate, a, b)
			}
		}
	}
}

// TestWriteDoesNotAllocate: the list of 100 ms energies aside, which grows by
// 8 bytes each, in ever rarer steps.
func TestWriteDoesNotAllocate(t *testing.T) {
	x := voice(44100, 1, 1)
	m := New(44100, 2)
	m.Write(x, x)
	m.loudness.blocks = append(make([]float64, 0, 10000), m.loudness.blocks...)
	if n := testing.AllocsPerRun(20, func() { m.Write(x[:1023], x[:1023]); m.Write(x, x) }); n != 0 {
		t.Errorf("Write allocates %v times", n)
	}
}

// TestSameBits holds readings that must be the same under GOAMD64=v1, GOAMD64=v3
// and GODEBUG=cpu.fma=off.
func TestSameBits(t *testing.T) {
	m := New(44100, 1)
	rng := rand.New(rand.NewPCG(1, 1))
	x := make([]float64, 4*44100)
	for i := range x {
		x[i] = (2*rng.Float64() - 1) * float64(i%9000) / 9000
	}
	m.Write(x)
	integrated, _ := m.loudness.Integrated()
	active, _ := m.speech.level(m.amplitude[0].squares)
	got := fmt.Sprintf("%x %x %x %x %x", m.amplitude[0].squares, float64(integrated), m.loudness.maxMomentary, m.truePeak[0].Peak(), float64(active))
	const want = "0x1.2c4834bc4aa34p+14 -0x1.9b85ad6f1da51p+02 0x1.3177726bffe5ep+12 0x1.a29baf11c681bp+00 -0x1.31a456e7d2d67p+03"
	if got != want {
		t.Errorf("bits %s, want %s", got, want)
	}
}

// TestStereoOfOneVoice: the mean of energies is one channel's; loudness adds 3.01 LU.
func TestStereoOfOneVoice(t *testing.T) {
	x := voice(48000, 5, 4)
	one, two := measure(48000, x), stereo(48000, x)
	near(t, "RMS", float64(two.RMS), float64(one.RMS), 0)
	near(t, "speech", float64(two.Speech), float64(one.Speech), 0)
	near(t, "integrated", float64(two.Integrated), float64(one.Integrated)+3.01, 0.011)
	if two.Frames != dsp.Frames(len(x)) {
		t.Errorf("%d frames, want %d", two.Frames, len(x))
	}
}

func BenchmarkMeter(b *testing.B) {
	const rate, seconds = 44100, 60
	x := voice(rate, seconds, 1)
	noise := make([]float64, len(x))
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range noise {
		noise[i] = rng.Float64() - 0.5
	}
	run := func(name string, x []float64, write func([]float64)) {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				for from := 0; from+1024 <= len(x); from += 1024 {
					write(x[from : from+1024])
				}
			}
			b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
		})
	}
	m := New(rate, 1)
	run("all mono voice", x, func(x []float64) { m.Write(x) })
	m = New(rate, 1)
	run("all mono noise", noise, func(x []float64) { m.Write(x) })
	m = New(rate, 2)
	run("all stereo voice", x, func(x []float64) { m.Write(x, x) })
	s := newSpeech(rate)
	run("P.56", x, func(x []float64) { s.add(x) })
	var a amplitude
	run("amplitude", x, func(x []float64) { a.add(x) })
	l := NewLoudness(rate, 1)
	one := make([][]float64, 1)
	run("loudness", x, func(x []float64) {
		for len(x) >= l.hop {
			one[0] = x[:l.hop]
			l.add(one)
			x = x[l.hop:]
		}
	})
}

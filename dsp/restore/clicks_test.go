package restore_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/restore"
)

var both = restore.ClicksSettings{OverLocalDB: 12, LongestMS: 4, MouthClicks: true, Ticks: true}

func newClicks(t testing.TB, s restore.ClicksSettings, rateHz float64) dsp.Processor {
	t.Helper()
	c, err := restore.NewClicks(s, rateHz)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// through is x as an engine with one processor leaves it.
func through(p dsp.Processor, x []float64) []float64 {
	return dsp.NewEngine(0, p).Whole(x)
}

// changed are the stretches in which y has other bits than x; stretches less
// than 2 ms apart are one.
func changed(x, y []float64, rateHz float64) (list [][2]int) {
	apart := int(0.002 * rateHz)
	for i := range x {
		if math.Float64bits(x[i]) == math.Float64bits(y[i]) {
			continue
		}
		if n := len(list); n > 0 && i-list[n-1][1] < apart {
			list[n-1][1] = i + 1
		} else {
			list = append(list, [2]int{i, i + 1})
		}
	}
	return list
}

func TestClicksKeepTheContract(t *testing.T) {
	for _, rate := range []float64{44100, 96000} {
		make := func() dsp.Processor { return newClicks(t, both, rate) }
		dsptest.Exercise(t, rate, make)
		dsptest.Settle(t, rate, make, both.Settle(rate))
	}
}

// bandRMS is the plain RMS of the band from 2 to 10 kHz.
func bandRMS(x []float64, rateHz float64) float64 {
	high, _ := filter.Highpass(2000, 24, rateHz)
	low, _ := filter.Lowpass(10000, 24, rateHz)
	y := append([]float64(nil), x...)
	kernel.NewCascade(append(high, low...)).Process(y)
	return rms(y)
}

func rms(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}

// aMouthClick is a damped resonance of 2 to 6 kHz, 20 dB down after 0.5 to 2 ms; its
// RMS over 2 ms is 1.
func aMouthClick(random *rand.Rand, rateHz float64) []float64 {
	hz, decay := 2000+4000*random.Float64(), 0.0005+0.0015*random.Float64()
	x := make([]float64, int(3*decay*rateHz))
	for i := range x {
		at := float64(i) / rateHz
		x[i] = math.Exp(-2.3*at/decay) * math.Sin(2*math.Pi*hz*at)
	}
	var sum float64
	n := int(0.002 * rateHz)
	for _, v := range x[:min(n, len(x))] {
		sum += v * v
	}
	for i := range x {
		x[i] /= math.Sqrt(sum / float64(n))
	}
	return x
}

// roomTone falls by 6 dB an octave from 300 Hz, with hiss under it: the RMS is 1.
func roomTone(random *rand.Rand, n int, rateHz float64) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = random.NormFloat64()
	}
	low, _ := filter.Lowpass(300, 6, rateHz)
	kernel.NewCascade(low).Process(x)
	for i := range x {
		x[i] += 0.02 * random.NormFloat64()
	}
	r := rms(x)
	for i := range x {
		x[i] /= r
	}
	return x
}

// Of mouth clicks 15 dB over the room tone around them, 2 to 10 kHz, nine in
// ten and more are found at every rate, and what is left of those found is below
// the room tone; at 6 dB, half the threshold, none.
func TestMouthClicksInRoomTone(t *testing.T) {
	for _, rate := range []float64{44100, 96000} {
		for _, tt := range []struct {
			overDB      float64
			least, most int
		}{{6, 0, 0}, {15, 54, 60}, {40, 58, 60}} {
			t.Run(fmt.Sprintf("%g dB at %g Hz", tt.overDB, rate), func(t *testing.T) {
				random := rand.New(rand.NewPCG(11, uint64(tt.overDB)))
				tone := roomTone(random, int(31*rate), rate)
				for i := range tone {
					tone[i] *= 0.0005
				}
				level := bandRMS(tone, rate) * math.Pow(10, tt.overDB/20)
				x := append([]float64(nil), tone...)
				var at []int
				for k := range 60 {
					at = append(at, int((0.5+0.5*float64(k)+0.2*random.Float64())*rate))
					for i, v := range aMouthClick(random, rate) {
						x[at[k]+i] += level * v
					}
				}
				y := through(newClicks(t, both, rate), x)
				found, rest := 0, []float64{}
				for _, c := range changed(x, y, rate) {
					hit := false
					for _, k := range at {
						hit = hit || c[0] < k+int(0.001*rate) && c[1] > k
					}
					if !hit {
						t.Errorf("changed where no click is: %d to %d", c[0], c[1])
						continue
					}
					found++
					for i := c[0] - int(0.002*rate); i < c[1]+int(0.002*rate); i++ {
						rest = append(rest, y[i])
					}
				}
				if found < tt.least || found > tt.most {
					t.Errorf("%d of 60 found, want %d to %d", found, tt.least, tt.most)
				}
				if found > 0 && bandRMS(rest, rate) > 1.1*bandRMS(tone, rate) {
					t.Errorf("where they were stands %.1f dB over the room tone", 20*math.Log10(bandRMS(rest, rate)/bandRMS(tone, rate)))
				}
			})
		}
	}
}

// sentence has vowels between consonants of a stop: silence, a burst of 12 ms of
// noise, 25 ms of breath, then the vowel; and tells where the bursts are.
func sentence(random *rand.Rand, stops int, rateHz float64) (x []float64, bursts [][2]int) {
	v := func(ms float64) int { return int(ms / 1000 * rateHz) }
	for range stops {
		x = append(x, make([]float64, v(60))...)
		hiss := make([]float64, v(60))
		for i := range hiss {
			hiss[i] = random.NormFloat64()
		}
		hz := 1500 + 4000*random.Float64()
		band, _ := filter.Bandpass(hz, 1.2, rateHz)
		kernel.NewCascade(band).Process(hiss)
		hiss = hiss[len(hiss)-v(37):]
		bursts = append(bursts, [2]int{len(x), len(x) + v(37)})
		strong := 0.02 + 0.06*random.Float64()
		for i := range hiss {
			if i > v(12) {
				strong += (0.006 - strong) * 5 / float64(v(10))
			}
			x = append(x, strong*hiss[i])
		}
		n := v(80 + 120*random.Float64())
		vowel, period := make([]float64, n), rateHz/(90+120*random.Float64())
		for i := 0.0; i < float64(n); i += period {
			vowel[int(i)] = 1
		}
		low, _ := filter.Lowpass(700, 12, rateHz)
		high, _ := filter.Bandpass(1200+800*random.Float64(), 5, rateHz)
		bright := append([]float64(nil), vowel...)
		kernel.NewCascade(low).Process(vowel)
		kernel.NewCascade(high).Process(bright)
		for i := range vowel {
			fade := min(1, float64(min(i, n-1-i))/float64(v(15)))
			x = append(x, fade*(3*vowel[i]+bright[i]))
		}
		if random.Float64() < 0.2 {
			x = append(x, make([]float64, v(400))...)
		}
	}
	for i, tone := range roomTone(random, len(x), rateHz) {
		x[i] += 0.0003 * tone
	}
	return x, bursts
}

// Stops keep their bursts: of 300, three are touched at the most, and within all
// of them together the change is below -50 dB.
func TestConsonantsAreSpared(t *testing.T) {
	const rate = 44100
	random := rand.New(rand.NewPCG(12, 1))
	x, bursts := sentence(random, 300, rate)
	y := through(newClicks(t, both, rate), x)
	touched := changed(x, y, rate)
	t.Logf("%d changes", len(touched))
	if len(touched) > 3 {
		t.Errorf("changed %d times, want at most 3: the first at %v", len(touched), touched[0])
	}
	var sum, off float64
	for _, b := range bursts {
		for i := b[0]; i < b[1]; i++ {
			sum += x[i] * x[i]
			off += (x[i] - y[i]) * (x[i] - y[i])
		}
	}
	if db := 10 * math.Log10(off/sum); db > -50 {
		t.Errorf("bursts changed by %.1f dB, want below -50", db)
	}
}

// Spikes of one sample, 40 dB over the 2 to 10 kHz around them, are mended in
// vowels, bursts and pauses alike: nine in ten are 20 dB down. The vowels here
// are of bare pulses, the hardest there is.
func TestTicksInSpeech(t *testing.T) {
	const rate = 44100
	random := rand.New(rand.NewPCG(13, 1))
	clean, _ := sentence(random, 100, rate)
	high, _ := filter.Highpass(2000, 24, rate)
	low, _ := filter.Lowpass(10000, 24, rate)
	band := append([]float64(nil), clean...)
	kernel.NewCascade(append(high, low...)).Process(band)
	x := append([]float64(nil), clean...)
	var at []int
	for k := 5000; k < len(x)-5000; k += 9000 + random.IntN(2000) {
		at = append(at, k)
		x[k] += rms(band[k-900:k+900]) * 100 * float64(1-2*(len(at)%2))
	}
	y := through(newClicks(t, both, rate), x)
	found := 0
	for _, k := range at {
		if math.Abs(y[k]-clean[k]) < 0.1*math.Abs(x[k]-clean[k]) {
			found++
		}
	}
	t.Logf("%d of %d", found, len(at))
	if 10*found < 9*len(at) {
		t.Errorf("%d of %d ticks are down by 20 dB, want nine of ten", found, len(at))
	}
}

// What holds no click keeps its bits: voice, noise, silence.
func TestNoClickKeepsTheBits(t *testing.T) {
	const rate = 44100
	random := rand.New(rand.NewPCG(14, 1))
	noise := make([]float64, 10*rate)
	for i := range noise {
		noise[i] = 0.01 * random.NormFloat64()
	}
	for name, x := range map[string][]float64{
		"voice": dsptest.Speechlike(3, 20*rate, rate), "white noise": noise,
		"room tone": roomTone(random, 10*rate, rate), "silence": make([]float64, rate),
	} {
		if c := changed(x, through(newClicks(t, both, rate), x), rate); len(c) > 0 {
			t.Errorf("%s: %d changes, the first %v", name, len(c), c[0])
		}
	}
}

// A spike where somebody speaks is left alone unless ticks are asked for; in a
// pause it is mended as either kind, and as neither if none is asked for.
func TestOnlyWhatIsAsked(t *testing.T) {
	const rate = 44100
	tone := roomTone(rand.New(rand.NewPCG(15, 1)), 4*rate, rate)
	for i := range tone {
		tone[i] *= 0.0005
	}
	pause := append([]float64(nil), tone...)
	pause[2*rate] += 0.05
	speech := dsptest.Speechlike(3, 4*rate, rate)
	loudest := 0
	for i := rate; i < 3*rate; i++ {
		if math.Abs(speech[i]) > math.Abs(speech[loudest]) {
			loudest = i
		}
	}
	speech[loudest+300] += 0.8
	for _, tt := range []struct {
		mouth, ticks     bool
		pauses, speeches int
	}{{false, false, 0, 0}, {true, true, 1, 1}, {false, true, 1, 1}, {true, false, 1, 0}} {
		s := both
		s.MouthClicks, s.Ticks = tt.mouth, tt.ticks
		for name, c := range map[string]struct {
			x    []float64
			want int
		}{"a pause": {pause, tt.pauses}, "speech": {speech, tt.speeches}} {
			if got := changed(c.x, through(newClicks(t, s, rate), c.x), rate); len(got) != c.want {
				t.Errorf("mouth clicks %v, ticks %v: %d changes in %s, want %d: %v", tt.mouth, tt.ticks, len(got), name, c.want, got)
			}
		}
	}
}

func TestClicksRefuse(t *testing.T) {
	for _, spoil := range []func(*restore.ClicksSettings){
		func(s *restore.ClicksSettings) { s.OverLocalDB = 5 },
		func(s *restore.ClicksSettings) { s.OverLocalDB = math.NaN() },
		func(s *restore.ClicksSettings) { s.LongestMS = 7 },
	} {
		s := both
		spoil(&s)
		if _, err := restore.NewClicks(s, 44100); err == nil {
			t.Errorf("%+v was taken", s)
		}
	}
}

func BenchmarkClicks(b *testing.B) {
	const rate = 44100
	ticking := roomTone(rand.New(rand.NewPCG(16, 1)), 200*dsp.Quantum, rate)
	for i := range ticking {
		ticking[i] *= 0.0005
	}
	for i := 0; i < len(ticking); i += rate / 20 {
		ticking[i] += 0.1
	}
	for name, x := range map[string][]float64{
		"speech": dsptest.Speechlike(1, 200*dsp.Quantum, rate), "noise": dsptest.Noise(1, 200*dsp.Quantum), "20 ticks a second": ticking,
	} {
		b.Run(name, func(b *testing.B) {
			c := newClicks(b, both, rate)
			block := make([]float64, dsp.Quantum)
			b.ReportAllocs()
			at := 0
			for b.Loop() {
				copy(block, x[at:])
				at = (at + dsp.Quantum) % len(x)
				c.Process(block)
			}
			b.ReportMetric(float64(b.N)*dsp.Quantum/rate/b.Elapsed().Seconds(), "x_real_time")
		})
	}
}

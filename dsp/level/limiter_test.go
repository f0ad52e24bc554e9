package level_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	. "chapterhouse/dsp/level"
)

func limiter(t testing.TB, s LimiterSettings, rateHz float64) *Limiter {
	t.Helper()
	l, err := NewLimiter(s, rateHz)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// process runs whole quanta and returns the output and the gain trace.
func process(p dsp.Processor, x []float64) (y, gainsDB []float64) {
	y = append([]float64(nil), x...)
	y = append(y, make([]float64, (dsp.Quantum-len(y)%dsp.Quantum)%dsp.Quantum)...)
	for q := 0; q < len(y); q += dsp.Quantum {
		p.Process(y[q : q+dsp.Quantum])
		if g, ok := p.(dsp.Gauge); ok {
			gainsDB = append(gainsDB, g.GainsDB()...)
		}
	}
	return y, gainsDB
}

var (
	rates   = []float64{44100, 48000, 96000}
	usual   = LimiterSettings{CeilingDBTP: -12, ReleaseMS: 60}
	extreme = LimiterSettings{CeilingDBTP: -30, LookAheadMS: 20, ReleaseMS: 800}
)

func TestLimiterConforms(t *testing.T) {
	for _, rate := range rates {
		for _, s := range []LimiterSettings{usual, {CeilingDBTP: -3, LookAheadMS: 1, ReleaseMS: 10}, extreme} {
			t.Run(fmt.Sprintf("%g %+v", rate, s), func(t *testing.T) {
				make := func() dsp.Processor { return limiter(t, s, rate) }
				if s != extreme {
					dsptest.Exercise(t, rate, make)
				}
				dsptest.Settle(t, rate, make, s.Settle(rate))
			})
		}
	}
}

// A judge is an 8 times oversampling interpolator of its own: a sinc of 96
// taps a phase under a Blackman-Harris window (Harris, Proc. IEEE 66(1), 1978).
type judge [8][96]float64

func newJudge() *judge {
	j := &judge{}
	for phase := range j {
		for k := range j[phase] {
			t := float64(k-47) - float64(phase)/8
			sinc := 1.0
			if t != 0 {
				sinc = math.Sin(math.Pi*t) / (math.Pi * t)
			}
			w := math.Pi * (t/48 + 1)
			j[phase][k] = sinc * (0.35875 - 0.48829*math.Cos(w) + 0.14128*math.Cos(2*w) - 0.01168*math.Cos(3*w))
		}
	}
	return j
}

// peakDB is the true peak.
func (j *judge) peakDB(x []float64) float64 {
	padded := append(append(make([]float64, 96), x...), make([]float64, 96)...)
	peak := 0.0
	for i := 0; i+96 <= len(padded); i++ {
		w := (*[96]float64)(padded[i:])
		for phase := range j {
			var sum float64
			for k, c := range &j[phase] {
				sum += c * w[k]
			}
			peak = math.Max(peak, math.Abs(sum))
		}
	}
	return 20 * math.Log10(peak)
}

// The judge itself reads sines of any phase up to 0.41 of the rate, with what
// 8 points can leave unseen (ITU-R BS.1770-5 Annex 2: 20·log10 cos(πf/8fs)).
func TestJudge(t *testing.T) {
	j := newJudge()
	for _, f := range []float64{0.01, 0.1, 0.25, 0.33, 0.41} {
		x := make([]float64, 2000)
		for i := range x {
			fade := math.Min(1, float64(min(i, len(x)-1-i))/500)
			x[i] = 0.5 * fade * math.Sin(2*math.Pi*f*float64(i)+1)
		}
		unseen := -20 * math.Log10(math.Cos(math.Pi*f/8))
		if got := j.peakDB(x) + 6.0206; got > 0.005 || got < -unseen-0.005 {
			t.Errorf("%g of the rate reads %.4f dB", f, got)
		}
	}
}

// bandlimited keeps what is below a share of the rate, by a linear-phase
// filter of 255 taps.
func bandlimited(x []float64, share float64) []float64 {
	const half = 127
	cutoff := share - 0.015 // half the transition of the Blackman window
	y := make([]float64, len(x))
	var taps [2*half + 1]float64
	for k := range taps {
		t := float64(k - half)
		sinc := 2 * cutoff
		if t != 0 {
			sinc = math.Sin(2*math.Pi*cutoff*t) / (math.Pi * t)
		}
		w := math.Pi * (t/(half+1) + 1)
		taps[k] = sinc * (0.42 - 0.5*math.Cos(w) + 0.08*math.Cos(2*w))
	}
	for i := range y {
		var sum float64
		for k, c := range taps {
			if n := i + k - half; n >= 0 && n < len(x) {
				sum += c * x[n]
			}
		}
		y[i] = sum
	}
	return y
}

// scaled has its largest sample at a level.
func scaled(x []float64, peakDBFS float64) []float64 {
	peak := 0.0
	for _, v := range x {
		peak = math.Max(peak, math.Abs(v))
	}
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = v / peak * math.Pow(10, peakDBFS/20)
	}
	return y
}

// material is what the ceiling is proven on; content up to 0.41 of the rate.
func material(rate float64) map[string][]float64 {
	const n = 40 * dsp.Quantum
	bursts := make([]float64, n)
	for i := range bursts { // 3 ms of tone every 37 ms
		at := i % int(0.037*rate)
		if width := 0.003 * rate; float64(at) < width {
			hann := math.Sin(math.Pi * float64(at) / width)
			bursts[i] = hann * hann * math.Sin(2*math.Pi*float64(i)*(800+float64(i)/9)/rate)
		}
	}
	quarter := make([]float64, n)
	for i := range quarter { // all samples at 0.707 of the true peak
		fade := math.Min(1, float64(i%8192)/600)
		quarter[i] = fade * math.Sin(math.Pi/2*float64(i)+math.Pi/4)
	}
	clicks := make([]float64, n)
	for i := 500; i < n; i += 1777 {
		clicks[i], clicks[i+1] = 1, float64(i%3)-1
	}
	// Fade out before the end: cut off, a signal has content up to half the rate.
	speech, noise := dsptest.Speechlike(3, n, rate), dsptest.Noise(5, n)
	for _, x := range [][]float64{bursts, quarter, clicks, speech, noise} {
		for i := range x {
			x[i] *= math.Max(0, math.Min(1, float64(n-2*dsp.Quantum-i)/600))
		}
	}
	return map[string][]float64{
		"speech":                     scaled(bandlimited(speech, 0.41), 0),
		"tone bursts":                scaled(bursts, 0),
		"fs/4 at 45 degrees, bursts": scaled(bandlimited(quarter, 0.41), -3),
		"noise":                      scaled(bandlimited(noise, 0.41), 0),
		"clicks":                     scaled(bandlimited(clicks, 0.41), 0),
	}
}

func TestLimiterHoldsTheCeiling(t *testing.T) {
	j := newJudge()
	for _, rate := range []float64{44100, 96000} {
		for name, x := range material(rate) {
			for _, s := range []LimiterSettings{usual, {CeilingDBTP: -3, LookAheadMS: 1, ReleaseMS: 20}} {
				before := j.peakDB(x)
				y, _ := process(limiter(t, s, rate), x)
				after := j.peakDB(y)
				t.Logf("%g Hz, %s: %.3f to %.3f dBTP, ceiling %g", rate, name, before, after, s.CeilingDBTP)
				if before < s.CeilingDBTP+1 {
					t.Errorf("%g Hz, %s: only %.2f dBTP, it proves nothing", rate, name, before)
				}
				if after > s.CeilingDBTP+0.05 {
					t.Errorf("%g Hz, %s: %.3f dBTP over a ceiling of %g", rate, name, after, s.CeilingDBTP)
				}
				// Nor is it needlessly far below: the loudest peak comes near.
				if after < s.CeilingDBTP-0.3 {
					t.Errorf("%g Hz, %s: %.3f dBTP under a ceiling of %g", rate, name, after, s.CeilingDBTP)
				}
			}
		}
	}
}

// Without a peak over the ceiling the bits are those of the input, late; after
// one, they are again once the gain is back.
func TestLimiterAtRestIsTransparent(t *testing.T) {
	const rate = 44100
	x := scaled(dsptest.Speechlike(4, 100*dsp.Quantum, rate), -20)
	l := limiter(t, usual, rate)
	y, gains := process(l, x)
	for i := l.Latency(); i < len(y); i++ {
		if y[i] != x[i-l.Latency()] {
			t.Fatalf("sample %d is %g, want %g", i, y[i], x[i-l.Latency()])
		}
	}
	for _, g := range gains {
		if g != 0 {
			t.Fatalf("the trace shows %g dB", g)
		}
	}
	x[1000] = 1
	l.Reset()
	y, _ = process(l, x)
	for i := 2 * rate; i < len(y); i++ {
		if y[i] != x[i-l.Latency()] {
			t.Fatalf("long after a peak sample %d is %g, want %g", i, y[i], x[i-l.Latency()])
		}
	}
}

// The release is what the settings say, in processed audio, at every rate: ±5 %
// or ±0.2 ms, from where the exponential is free of the two means.
func TestLimiterRelease(t *testing.T) {
	for _, rate := range append(rates, 88200) {
		for _, releaseMS := range []float64{20, 60, 300} {
			s := LimiterSettings{CeilingDBTP: -12, ReleaseMS: releaseMS}
			n := int((0.3+3*releaseMS/1000)*rate) / dsp.Quantum * dsp.Quantum
			x := make([]float64, n)
			for i := range x { // 100 ms of 900 Hz 10 dB over the ceiling, then far below
				level := -2.0
				if float64(i) > 0.1*rate {
					level = -40
				}
				x[i] = math.Pow(10, level/20) * math.Sin(2*math.Pi*900*float64(i)/rate)
			}
			_, gains := process(limiter(t, s, rate), x)
			step := float64(dsp.ControlStep(rate)) / rate
			when := func(gain float64) float64 { // of the rise through a gain
				for i := int(0.11 / step); i < len(gains); i++ {
					if gains[i] >= gain {
						return (float64(i) - (gains[i]-gain)/(gains[i]-gains[i-1])) * step * 1000
					}
				}
				return math.Inf(1)
			}
			const from = -8 // dB; every factor e takes one time constant
			got := when(from/math.E) - when(from)
			if math.Abs(got-releaseMS) > math.Max(0.05*releaseMS, 0.2) {
				t.Errorf("%g Hz: release %.3f ms, want %g", rate, got, releaseMS)
			}
		}
	}
}

// What comes out does not depend on what was long before, to the bit: a cold
// start anywhere on the grid joins a warm one.
func TestLimiterForgets(t *testing.T) {
	const rate = 48000
	s := LimiterSettings{CeilingDBTP: -6, ReleaseMS: 20}
	x := scaled(dsptest.Speechlike(6, 120*dsp.Quantum, rate), 0)
	for i := 50 * dsp.Quantum; i < 80*dsp.Quantum; i++ {
		x[i] *= 0.1 // at rest meanwhile
	}
	warm, _ := process(limiter(t, s, rate), x)
	for _, start := range []int{1, 7, 20, 53} {
		cold, _ := process(limiter(t, s, rate), x[start*dsp.Quantum:])
		for i := 81 * dsp.Quantum; i < len(warm); i++ {
			if warm[i] != cold[i-start*dsp.Quantum] {
				t.Fatalf("started %d quanta later, sample %d is %g, not %g", start, i, cold[i-start*dsp.Quantum], warm[i])
			}
		}
	}
}

func TestLimiterGolden(t *testing.T) {
	for _, c := range []struct {
		rate float64
		want string
	}{{44100, "d98c87a4d53dbc5ea52a3472d66bb42a"}, {96000, "28df399d059cb1330f34215f2b3598b7"}} {
		x := dsptest.Speechlike(1, 60*dsp.Quantum, c.rate)
		y, gains := process(limiter(t, LimiterSettings{CeilingDBTP: -20, ReleaseMS: 60}, c.rate), x)
		if got := dsptest.Digest(append(y, gains...)); got != c.want {
			t.Errorf("%g Hz: digest %s, want %s", c.rate, got, c.want)
		}
	}
}

func TestLimiterRefuses(t *testing.T) {
	for _, c := range []struct {
		s    LimiterSettings
		rate float64
		says []string
	}{
		{LimiterSettings{CeilingDBTP: 1, ReleaseMS: 60}, 44100, []string{"ceiling_dbtp", "1", "-30 to 0"}},
		{LimiterSettings{CeilingDBTP: math.NaN(), ReleaseMS: 60}, 44100, []string{"ceiling_dbtp", "NaN", "-30 to 0"}},
		{LimiterSettings{LookAheadMS: 0.5, ReleaseMS: 60}, 44100, []string{"look_ahead_ms", "0.5", "1 to 20"}},
		{LimiterSettings{LookAheadMS: 21, ReleaseMS: 60}, 44100, []string{"look_ahead_ms", "21", "1 to 20"}},
		{LimiterSettings{}, 44100, []string{"release_ms", "0", "10 to 800"}},
		{LimiterSettings{ReleaseMS: 60}, 400000, []string{"rate_hz", "400000", "8000 to 192000"}},
	} {
		_, err := NewLimiter(c.s, c.rate)
		if err == nil {
			t.Errorf("%+v: no error", c.s)
			continue
		}
		for _, part := range c.says {
			if !strings.Contains(err.Error(), part) {
				t.Errorf("error %q does not say %q", err, part)
			}
		}
	}
}

func TestGain(t *testing.T) {
	for _, gainDB := range []float64{0, 6, -40, math.Inf(-1)} {
		dsptest.Exercise(t, 44100, func() dsp.Processor { return NewGain(max(gainDB, -60)) })
		x := dsptest.Noise(2, dsp.Quantum)
		y, _ := process(NewGain(gainDB), x)
		for i := range x {
			want := x[i] * math.Pow(10, gainDB/20)
			if math.Abs(y[i]-want) > 1e-14 || gainDB == 0 && y[i] != x[i] {
				t.Fatalf("%g dB: sample %d is %g, want %g", gainDB, i, y[i], want)
			}
		}
	}
}

// On speech, how much of it is over the ceiling decides the speed.
func BenchmarkLimiter(b *testing.B) {
	for _, peak := range []float64{-20, -12, -6, 0} {
		b.Run(fmt.Sprintf("peaks %g dB over", peak+12), func(b *testing.B) {
			l := limiter(b, usual, 44100)
			x := scaled(dsptest.Speechlike(1, 256*dsp.Quantum, 44100), peak)
			block := make([]float64, dsp.Quantum)
			b.ReportAllocs()
			i := 0
			for b.Loop() {
				copy(block, x[i*dsp.Quantum:])
				l.Process(block)
				i = (i + 1) % 256
			}
			b.ReportMetric(float64(b.N*dsp.Quantum)/44100/b.Elapsed().Seconds(), "x-real-time")
		})
	}
}

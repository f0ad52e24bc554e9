package render

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// spooled is a part as it lies on disk after its chain.
func spooled(t testing.TB, x []float64) *spool {
	t.Helper()
	s, err := newSpool(filepath.Join(t.TempDir(), "spool"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.remove)
	s.write(x)
	if err := s.flush(); err != nil {
		t.Fatal(err)
	}
	return s
}

var someSource = pipeline.Digest(strings.Repeat("5a", 32))

func cutOf(rateHz, from, to int, tone ...pipeline.Span) pipeline.Cut {
	return pipeline.Cut{
		Source: someSource, SourceRateHz: rateHz, RateHz: rateHz,
		Speech: pipeline.Span{From: dsp.Frames(from), To: dsp.Frames(to)}, Tone: tone,
	}
}

// halfSeconds are n windows of half a second from a frame on, end to end.
func halfSeconds(rateHz, from, n int) []pipeline.Span {
	var spans []pipeline.Span
	for i := range n {
		at := dsp.Frames(from + i*rateHz/2)
		spans = append(spans, pipeline.Span{From: at, To: at + dsp.Frames(rateHz/2)})
	}
	return spans
}

func bedOf(t testing.TB, x []float64, cut pipeline.Cut, gain float64) *bed {
	t.Helper()
	b, err := newBed(spooled(t, x), cut, gain)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func must(t testing.TB) func(x []float64, err error) []float64 {
	return func(x []float64, err error) []float64 {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
}

func same(t testing.TB, what string, got, want []float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s has %d frames, want %d", what, len(got), len(want))
	}
	for i := range got {
		if math.Float64bits(got[i]) != math.Float64bits(want[i]) {
			t.Fatalf("%s is %g at frame %d, want %g", what, got[i], i, want[i])
		}
	}
}

// Where the recording has room enough, a head and a tail are it, sample by sample.
func TestEdgesAreTheRecordedRoom(t *testing.T) {
	const rate = 44100
	x := room(1, 10*rate)
	b := bedOf(t, x, cutOf(rate, 3*rate, 5*rate, halfSeconds(rate, 6*rate, 8)...), 0.5)
	half := scaled(x, 20*math.Log10(0.5))
	for i := range half {
		half[i] = x[i] * 0.5
	}
	for _, n := range []int{0, 1, 441, rate, 3 * rate} {
		same(t, "head", must(t)(b.before(n)), half[3*rate-n:3*rate])
	}
	for _, n := range []int{0, 1, 441, rate, 5 * rate} {
		same(t, "tail", must(t)(b.after(n)), half[5*rate:5*rate+n])
	}
}

// Where it has less, what it has stands next to the speech, and laid tone
// beyond, at the room's level through and through (of hiss: the level of
// rumble wanders by itself), without a step (of rumble: it has small ones).
func TestEdgesGoOnInLaidTone(t *testing.T) {
	const rate = 44100
	join := int(dsp.FramesIn(joinS, rate))
	for _, there := range []float64{0, 0.01, 0.03, 0.2, 0.6} {
		for seed := range uint64(6) {
			have := int(there * rate)
			tone := scaled(dsptest.Noise(seed, 8*rate), -60)
			if seed >= 3 {
				tone = rumble(seed, 8*rate)
			}
			x := append(append(tone[:have:have], scaled(dsptest.Noise(seed+9, rate), -20)...), tone[have:]...)
			cut := cutOf(rate, have, have+rate, halfSeconds(rate, have+2*rate, 11)...)
			level, step := rms(tone), largestStep(tone)
			n := 2*rate + 17
			head := must(t)(bedOf(t, x, cut, 1).before(n))
			if len(head) != n {
				t.Fatalf("head has %d frames, want %d", len(head), n)
			}
			whole := max(0, have-join)
			same(t, "end of head", head[n-whole:], x[have-whole:have])
			evenly(t, fmt.Sprintf("head with %g s of room", there), head, rate, level, step)

			// The same mirrored: the tail.
			for i, j := 0, len(x)-1; i < j; i, j = i+1, j-1 {
				x[i], x[j] = x[j], x[i]
			}
			for i := range cut.Tone {
				cut.Tone[i] = pipeline.Span{From: dsp.Frames(len(x)) - cut.Tone[i].To, To: dsp.Frames(len(x)) - cut.Tone[i].From}
			}
			cut.Speech = pipeline.Span{From: dsp.Frames(len(x)) - cut.Speech.To, To: dsp.Frames(len(x)) - cut.Speech.From}
			tail := must(t)(bedOf(t, x, cut, 1).after(n))
			to := int(cut.Speech.To)
			if len(tail) != n {
				t.Fatalf("tail has %d frames, want %d", len(tail), n)
			}
			same(t, "start of tail", tail[:whole], x[to:to+whole])
			evenly(t, fmt.Sprintf("tail with %g s of room", there), tail, rate, level, step)
		}
	}
}

// rumble has neighbouring samples close to each other: a splice would show.
func rumble(seed uint64, n int) []float64 {
	x := dsptest.Noise(seed, n)
	var y, z float64
	for i, v := range x {
		y = float64(0.99*y) + float64(0.01*v)
		z = float64(0.99*z) + float64(0.01*y)
		x[i] = z / 100
	}
	return x
}

// evenly wants every 50 ms of hiss within 1 dB of a level, on the grid of 10 ms
// and so in every join too, and no step larger than the room's own.
func evenly(t testing.TB, what string, x []float64, rateHz int, level, step float64) {
	t.Helper()
	if step < 1e-4 { // rumble; a twentieth is the luck of extremes
		if s := largestStep(x); s > 1.05*step {
			t.Errorf("%s: a step of %g, the room's largest is %g", what, s, step)
		}
		return
	}
	for at := 0; at+rateHz/20 <= len(x); at += rateHz / 100 {
		if l := rms(x[at : at+rateHz/20]); math.Abs(l-level) > 1 {
			t.Errorf("%s: %.2f dBFS at %.2f s, the room has %.2f", what, l, float64(at)/float64(rateHz), level)
			return
		}
	}
}

func largestStep(x []float64) float64 {
	var step float64
	for i := 1; i < len(x); i++ {
		step = max(step, math.Abs(x[i]-x[i-1]))
	}
	return step
}

// Ten seconds of laid tone don't repeat themselves: their autocorrelation
// from 0.2 s on stays far from the 1 that a loop would have at its length.
func TestLaidToneHasNoLoop(t *testing.T) {
	const rate = 3000 // low, for the transform's sake: 10 s fit
	const n = 10 * rate
	for _, c := range []struct {
		windows int
		limit   float64
	}{{20, 0.15}, {10, 0.2}, {6, 0.2}, {4, 0.25}, {2, 0.3}, {1, 0.3}} {
		for seed := range uint64(4) {
			x := dsptest.Noise(seed, 10*rate)
			cut := cutOf(rate, 0, 0, halfSeconds(rate, 0, c.windows)...)
			cut.Source = pipeline.DigestOf([]byte{byte(seed)})
			y := bedOf(t, x, cut, 1).tone(n)
			if peak, lag := autocorrelation(t, y, rate/5); peak > c.limit {
				t.Errorf("%d windows: laid tone repeats itself by %.2f after %.2f s, at most %.2f", c.windows, peak, float64(lag)/rate, c.limit)
			}
			// What a plain loop of the same windows would have.
			loop := make([]float64, n)
			for i := range loop {
				loop[i] = x[i%(c.windows*rate/2)]
			}
			if peak, _ := autocorrelation(t, loop, rate/5); c.windows <= 10 && peak < 0.45 {
				t.Errorf("%d windows: the test finds a plain loop at %.2f only", c.windows, peak)
			}
		}
	}
}

// autocorrelation is the largest of x from a lag on, over that at lag 0.
func autocorrelation(t testing.TB, x []float64, from int) (peak float64, lag int) {
	t.Helper()
	fft, err := spectrum.NewFFT(spectrum.MaxSize)
	if err != nil || 2*len(x) > spectrum.MaxSize {
		t.Fatalf("%d frames are too many: %v", len(x), err)
	}
	padded, bins := make([]float64, fft.Size()), make([]complex128, fft.Size()/2+1)
	copy(padded, x)
	fft.Forward(bins, padded)
	for i, v := range bins {
		bins[i] = complex(real(v)*real(v)+imag(v)*imag(v), 0)
	}
	fft.Inverse(padded, bins)
	for i := from; i < len(x); i++ {
		if r := math.Abs(padded[i] / padded[0]); r > peak {
			peak, lag = r, i
		}
	}
	return peak, lag
}

// Over head, pauses and tail of one part, every window is used before any is
// used twice, and not in the order in which they were recorded.
func TestEveryWindowBeforeAnyTwice(t *testing.T) {
	const rate, windows = 8000, 12
	x := make([]float64, windows*rate/2)
	for i := range x {
		x[i] = float64(1 + i/(rate/2)) // each window says its number
	}
	b := bedOf(t, x, cutOf(rate, 0, len(x), halfSeconds(rate, 0, windows)...), 1)
	var laid []float64
	for range 4 {
		laid = append(laid, b.tone(rate*3/2-3*int(dsp.FramesIn(joinS, rate)))...)
	}
	var order []int
	for i := 0; i+400 < len(laid); i++ {
		if v := laid[i]; v == laid[i+400] && v == math.Trunc(v) && (len(order) == 0 || order[len(order)-1] != int(v)) {
			order = append(order, int(v))
		}
	}
	seen := map[int]bool{}
	followed := 0
	for i, w := range order {
		if seen[w] && len(seen) < windows {
			t.Fatalf("window %d is used twice before all were: %v", w, order)
		}
		seen[w] = true
		if i > 0 && w == order[i-1]+1 {
			followed++
		}
	}
	if len(order) < windows || followed > windows/3 {
		t.Errorf("windows follow each other as %v", order)
	}
}

// What stands next to the speech as it was recorded is not heard again right
// beyond it while there is other tone.
func TestLaidToneIsOtherThanTheRecorded(t *testing.T) {
	const rate = 8000
	// A head of 0.7 s and a tail of 0.7 s hold one window each; six more lie elsewhere.
	x := dsptest.Noise(3, 20*rate)
	tone := append([]pipeline.Span{{From: 800, To: 800 + rate/2}}, halfSeconds(rate, 5*rate, 6)...)
	tone = append(tone, pipeline.Span{From: 20*rate - rate/2 - 800, To: 20*rate - 800})
	for seed := range byte(8) {
		cut := cutOf(rate, rate*7/10, 20*rate-rate*7/10, tone...)
		cut.Source = pipeline.DigestOf([]byte{seed})
		b := bedOf(t, x, cut, 1)
		for name, edge := range map[string][]float64{"head": must(t)(b.before(2 * rate)), "tail": must(t)(b.after(2 * rate))} {
			if peak, lag := autocorrelation(t, edge, rate/5); peak > 0.12 {
				t.Errorf("seed %d: the %s repeats itself by %.2f after %.2f s", seed, name, peak, float64(lag)/rate)
			}
		}
	}
}

// A hole in the recorded room, of digital silence or of any other one value,
// is never part of an edge; nor is what a filter leaves of it.
func TestEdgesHoldNoHole(t *testing.T) {
	const rate = 44100
	for _, value := range []float64{0, 0.01} {
		for _, ms := range []int{10, 15, 20, 30, 45, 60, 100, 400} {
			for _, apartMS := range []int{0, 3, 7, 40, 77, 200} { // from the speech
				x := room(2, 8*rate)
				for i := range x {
					x[i] += value // the converter's offset
				}
				n, apart := ms*rate/1000+1, apartMS*rate/1000
				for i := range n {
					x[3*rate-apart-n+i], x[4*rate+apart+i] = value, value
				}
				b := bedOf(t, x, cutOf(rate, 3*rate, 4*rate, halfSeconds(rate, 0, 4)...), 1)
				for name, edge := range map[string][]float64{"head": must(t)(b.before(rate)), "tail": must(t)(b.after(rate))} {
					if at, run := stuck(edge); run >= rate/100 {
						t.Errorf("the %s holds %d equal samples at %d, from a hole of %d ms at %d ms", name, run, at, ms, apartMS)
					}
				}
			}
		}
	}
}

// A decaying filter keeps a hole from being one value; written at 24 bits it is.
func TestEdgesHoldNoDecayedHole(t *testing.T) {
	const rate = 44100
	x := make([]float64, 4*rate)
	copy(x[rate:2*rate], dsptest.Noise(4, rate))
	for i := range rate { // what a resampler leaves before and after
		x[rate-1-i], x[2*rate+i] = 1e-4*math.Exp(-float64(i)/20), 1e-4*math.Exp(-float64(i)/20)
	}
	b := bedOf(t, x, cutOf(rate, rate, 2*rate), 1)
	for name, edge := range map[string][]float64{"head": must(t)(b.before(rate / 2)), "tail": must(t)(b.after(rate / 2))} {
		for i, v := range edge {
			edge[i] = math.Round(v * (1 << 23))
		}
		if at, run := stuck(edge); run >= rate/100 {
			t.Errorf("the %s holds %d equal samples at %d", name, run, at)
		}
	}
}

// The same part has the same edges every time; another source has others.
func TestEdgesAreTheSameEveryTime(t *testing.T) {
	const rate = 44100
	x := room(3, 12*rate)
	cut := cutOf(rate, 0, rate, halfSeconds(rate, rate, 20)...)
	a, b := bedOf(t, x, cut, 1), bedOf(t, x, cut, 1)
	same(t, "head", must(t)(a.before(5*rate)), must(t)(b.before(5*rate)))
	same(t, "laid tone", a.tone(12*rate), b.tone(12*rate))
	cut.Source = pipeline.DigestOf(nil)
	c := bedOf(t, x, cut, 1)
	if y, z := must(t)(bedOf(t, x, cutOf(rate, 0, rate, cut.Tone...), 1).before(rate)), must(t)(c.before(rate)); y[0] == z[0] && y[1] == z[1] {
		t.Error("two sources have one order of windows")
	}
}

func TestFadeEnds(t *testing.T) {
	const rate = 44100
	ones := func(n int) []float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = 1
		}
		return x
	}
	n := int(dsp.FramesIn(fadeS, rate))
	for _, size := range []int{0, 1, n - 1, n, 2 * n} {
		head, tail := ones(size), ones(size)
		fadeEnds(head, tail, rate)
		for i := range size {
			if head[i] <= 0 || head[i] > 1 || i > 0 && head[i] < head[i-1] || i >= n && head[i] != 1 {
				t.Fatalf("head of %d: frame %d is %g", size, i, head[i])
			}
			if tail[size-1-i] != head[i] {
				t.Fatalf("tail of %d does not mirror the head at %d", size, i)
			}
		}
	}
}

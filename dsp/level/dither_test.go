package level

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/csv"
	"encoding/hex"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
)

func newDither(t testing.TB, bits int, source string) *Dither {
	t.Helper()
	d, err := NewDither(bits, SeedOf(source))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// ditherTone is a sine in full-scale decibels of its peak.
func ditherTone(hz, dbfs float64, rateHz, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Pow(10, dbfs/20) * math.Sin(2*math.Pi*hz*float64(i)/float64(rateHz))
	}
	return x
}

// dithered is a quantised copy of x and the error made.
func dithered(d *Dither, x []float64) (y, e []float64) {
	y = append([]float64(nil), x...)
	d.Process(y, 0)
	e = make([]float64, len(x))
	for i := range x {
		e[i] = y[i] - x[i]
	}
	return y, e
}

func ditherMoments(e []float64) (mean, square float64) {
	for _, v := range e {
		mean += v
		square += v * v
	}
	return mean / float64(len(e)), square / float64(len(e))
}

func TestSplitMix64(t *testing.T) {
	// The first outputs for seed 1234567 with the step 2^64/φ, as published
	// with the reference code in several public collections.
	state := uint64(1234567)
	for i, want := range []uint64{6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821} {
		state += 0x9e3779b97f4a7c15
		if got := splitMix(state); got != want {
			t.Errorf("output %d: %d, want %d", i, got, want)
		}
	}
}

func TestDitherNoise(t *testing.T) {
	file, err := os.Open("../../testdata/reference/dither_noise.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	reader := csv.NewReader(file)
	reader.Comment = '#'
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	tested := 0
	for _, row := range rows[1:] {
		if !strings.HasPrefix(row[1], "tpdf") {
			continue
		}
		tested++
		bits, _ := strconv.Atoi(row[0])
		want, err := strconv.ParseFloat(row[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		_, e := dithered(newDither(t, bits, "noise"), ditherTone(997, -20, 44100, 1<<19))
		_, square := ditherMoments(e)
		if got := 10 * math.Log10(square); math.Abs(got-want) > 0.02 {
			t.Errorf("%d bits: noise %.3f dBFS, want %.2f", bits, got, want)
		}
	}
	if tested != 3 {
		t.Errorf("%d rows of the table were tested, want 3", tested)
	}
}

// TestNoisePowerIsConstant: the second moment of the error does not depend on
// the signal (Lipshitz and others, 1992, theorem for TPDF).
func TestNoisePowerIsConstant(t *testing.T) {
	const q = 1.0 / 32768
	for _, dbfs := range []float64{-1, -6, -20, -40, -60, -80, -90, -96, -100, -105, -110} {
		for _, hz := range []float64{50, 997, 9999} {
			_, e := dithered(newDither(t, 16, "power"), ditherTone(hz, dbfs, 44100, 1<<19))
			_, square := ditherMoments(e)
			if d := 10 * math.Log10(square/(q*q/4)); math.Abs(d) > 0.05 { // 0.1 is asked for
				t.Errorf("%g Hz at %g dBFS: noise %.3f dB off q²/4", hz, dbfs, d)
			}
		}
	}
}

// TestErrorIsIndependentOfInput looks at constants between two steps, where
// plain rounding errs by up to half a step.
func TestErrorIsIndependentOfInput(t *testing.T) {
	const q, n = 1.0 / 32768, 1 << 20
	for i := range 16 {
		for _, base := range []float64{0, 1000, -20000} {
			x := make([]float64, n)
			for k := range x {
				x[k] = (base + float64(i)/16) * q
			}
			_, e := dithered(newDither(t, 16, "mean"), x)
			mean, square := ditherMoments(e)
			if limit := 4.5 * 0.5 / math.Sqrt(n); math.Abs(mean/q) > limit { // 4.5 sigma over 48 cases
				t.Errorf("%g steps: mean error %.5f steps, limit %.5f", x[0]/q, mean/q, limit)
			}
			if d := 10 * math.Log10(square/(q*q/4)); math.Abs(d) > 0.05 {
				t.Errorf("%g steps: noise %.3f dB off q²/4", x[0]/q, d)
			}
		}
	}
}

// TestNoHarmonics: a tone far below the last bit keeps to itself.
func TestNoHarmonics(t *testing.T) {
	const rate, size = 44100, 16384
	power := func(x []float64) []float64 {
		w, err := spectrum.NewWelch(size)
		if err != nil {
			t.Fatal(err)
		}
		w.Write(x)
		return w.Power()
	}
	// highest is by how much the highest of the harmonics 2 to 20 stands over
	// the noise beside it, in dB.
	highest := func(p []float64) float64 {
		worst := math.Inf(-1)
		for h := 2; h <= 20; h++ {
			k := int(math.Round(997 * float64(h) * size / rate))
			var at, beside float64
			for i := -2; i <= 2; i++ {
				at += p[k+i] / 5
			}
			for i := 10; i < 60; i++ {
				beside += (p[k-i] + p[k+i]) / 100
			}
			worst = math.Max(worst, 10*math.Log10(at/beside))
		}
		return worst
	}
	for _, dbfs := range []float64{-100, -90, -85} {
		x := ditherTone(997, dbfs, rate, 60*rate)
		y, _ := dithered(newDither(t, 16, "harmonics"), x)
		p := power(y)
		if over := highest(p); over > 0.6 { // 322 segments: about 0.15 dB of chance for five bins
			t.Errorf("997 Hz at %g dBFS: a harmonic stands %.2f dB over the noise", dbfs, over)
		}
		// The tone itself is there at its level, although below one step.
		var level float64
		for k := 368; k <= 373; k++ {
			level += p[k]
		}
		if d := 10*math.Log10(2*level) - dbfs; math.Abs(d) > 0.5 {
			t.Errorf("997 Hz at %g dBFS comes out %.2f dB off", dbfs, d)
		}
	}
	// Plain rounding shows that the test can see harmonics.
	x := ditherTone(997, -85, rate, 60*rate)
	for i := range x {
		x[i] = math.Round(x[i]*32768) / 32768
	}
	if over := highest(power(x)); over < 20 {
		t.Errorf("plain rounding shows harmonics of only %.1f dB", over)
	}
}

func TestNoiseIsWhite(t *testing.T) {
	const n = 1 << 20
	_, a := dithered(newDither(t, 16, "one"), make([]float64, n))
	_, b := dithered(newDither(t, 16, "two"), make([]float64, n))
	_, square := ditherMoments(a)
	for lag := 1; lag <= 32; lag++ {
		var self, other float64
		for i := lag; i < n; i++ {
			self += a[i] * a[i-lag]
			other += a[i] * b[i-lag]
		}
		limit := 4.5 / math.Sqrt(n)
		if r := self / n / square; math.Abs(r) > limit {
			t.Errorf("correlation %.5f at lag %d", r, lag)
		}
		if r := other / n / square; math.Abs(r) > limit {
			t.Errorf("correlation %.5f with another source at lag %d", r, lag)
		}
	}
	// Silence comes out as −1, 0 or 1 step, in the shares 1/8, 6/8, 1/8.
	var count [3]int
	for _, v := range a {
		count[int(v*32768)+1]++
	}
	for i, want := range []float64{1.0 / 8, 6.0 / 8, 1.0 / 8} {
		if got := float64(count[i]) / n; math.Abs(got-want) > 4.5*math.Sqrt(want*(1-want)/n) {
			t.Errorf("silence gives %d steps in a share of %.5f, want %.5f", i-1, got, want)
		}
	}
}

func TestSampleDependsOnItsIndexOnly(t *testing.T) {
	x := ditherTone(313, -30, 44100, 30000)
	want, _ := dithered(newDither(t, 16, "index"), x)
	for _, size := range []int{1, 7, 1023, 1024, 4096} {
		d := newDither(t, 16, "index")
		got := append([]float64(nil), x...)
		for i := 0; i < len(got); i += size {
			d.Process(got[i:min(i+size, len(got))], dsp.Frames(i))
		}
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("blocks of %d: sample %d is %g, in one block %g", size, i, got[i], want[i])
			}
		}
	}
	// A pass that begins elsewhere, over a changed beginning.
	got := append([]float64(nil), x[5000:]...)
	for i := range 1000 {
		got[i] *= 0.5
	}
	newDither(t, 16, "index").Process(got, 5000)
	for i := 1000; i < len(got); i++ {
		if got[i] != want[5000+i] {
			t.Fatalf("sample %d is %g, in a whole pass %g", 5000+i, got[i], want[5000+i])
		}
	}
	// Before the source's first sample.
	head := make([]float64, 100)
	newDither(t, 16, "index").Process(head, -50)
	whole := make([]float64, 50)
	newDither(t, 16, "index").Process(whole, 0)
	for i, v := range whole {
		if head[50+i] != v {
			t.Fatalf("sample %d differs after a negative start", i)
		}
	}
}

func TestGridAndRange(t *testing.T) {
	for _, bits := range []int{MinDitherBits, 12, 16, 20, MaxDitherBits} {
		d := newDither(t, bits, "grid")
		scale := math.Pow(2, float64(bits-1))
		x := ditherTone(997, 1, 44100, 10000) // 1 dB over full scale
		var over int64
		for i := 0; i < len(x); i++ {
			if math.Abs(x[i]) > 1+1.5/scale {
				over++
			}
		}
		d.Process(x, 0)
		var ends int64
		for i, v := range x {
			if v < -1 || v > 1-1/scale || v*scale != math.Trunc(v*scale) {
				t.Fatalf("%d bits: sample %d is %v, %v steps", bits, i, v, v*scale)
			}
			if v == -1 || v == 1-1/scale {
				ends++
			}
		}
		if c := d.Clipped(); c < over || c > ends || c == 0 {
			t.Errorf("%d bits: %d samples counted as clipped, %d are far outside, %d stand at the ends", bits, c, over, ends)
		}
	}
	d := newDither(t, 16, "grid")
	d.Process(ditherTone(997, -0.01, 44100, 10000), 0)
	if d.Clipped() != 0 {
		t.Errorf("%d samples of a legal tone counted as clipped", d.Clipped())
	}
}

func TestDitherRefusals(t *testing.T) {
	for _, bits := range []int{-1, 0, 7, 25, 32} {
		if _, err := NewDither(bits, SeedOf("x")); err == nil {
			t.Errorf("%d bits were accepted", bits)
		}
	}
	if _, err := NewDither(16, Seed{}); err == nil {
		t.Error("no seed was accepted")
	}
}

func TestDitherDoesNotAllocate(t *testing.T) {
	d, x := newDither(t, 16, "x"), make([]float64, 1024)
	if n := testing.AllocsPerRun(10, func() { d.Process(x, 0) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

// TestDitherSameBits holds float64 digests of the output. They are the same
// under GOAMD64=v1, GOAMD64=v3 and GODEBUG=cpu.fma=off; another digest means
// that every 16-bit delivery gets other bytes.
func TestDitherSameBits(t *testing.T) {
	// A ramp of whole numbers, so that the input has the same bits everywhere.
	x := make([]float64, 50000)
	for i := range x {
		x[i] = float64(i*7919%65536-32768) / 33000
	}
	for bits, want := range map[int]string{16: "ecf699510fcc9244", 20: "4df49f271c0c678c", 24: "c31a3af1a9a6ab83"} {
		y, _ := dithered(newDither(t, bits, "3f786850e387550fdab836ed7e6dc881de23001b5c9a6d5d7d2f8a1b2c3d4e5f"), x)
		h := sha256.New()
		if err := binary.Write(h, binary.LittleEndian, y); err != nil {
			t.Fatal(err)
		}
		if got := hex.EncodeToString(h.Sum(nil)[:8]); got != want {
			t.Errorf("%d bits: %s, want %s", bits, got, want)
		}
	}
}

func BenchmarkDither(b *testing.B) {
	d, x := newDither(b, 16, "x"), ditherTone(997, -20, 44100, 44100)
	for b.Loop() {
		d.Process(x, 0)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}

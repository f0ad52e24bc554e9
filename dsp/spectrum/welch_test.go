package spectrum

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"os/exec"
	"testing"
)

func newWelch(t testing.TB, n int) *Welch {
	t.Helper()
	w, err := NewWelch(n)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func sine(hz, amplitude float64, rateHz, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = amplitude * math.Sin(2*math.Pi*hz*float64(i)/float64(rateHz))
	}
	return x
}

func total(power []float64) float64 {
	var sum float64
	for _, v := range power {
		sum += v
	}
	return sum
}

func meanSquare(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v * v
	}
	return sum / float64(len(x))
}

func TestPowerSumsToMeanSquare(t *testing.T) {
	const rate = 44100
	constant := make([]float64, 3*rate)
	nyquist := make([]float64, 3*rate)
	for i := range constant {
		constant[i] = 0.25
		nyquist[i] = 0.5 - float64(i%2)
	}
	for name, c := range map[string]struct {
		x     []float64
		tolDB float64
	}{
		"constant":                {constant, 1e-9},
		"half the rate":           {nyquist, 1e-9},
		"sine on a bin":           {sine(rate/4096.0*93, 1, rate, 4096*9), 1e-9},
		"sine between bins":       {sine(997, 0.5, rate, 3*rate), 0.001},
		"low sine":                {sine(50, 0.5, rate, 30*rate), 0.001},
		"noise, to its own error": {noise(9, 30*rate), 0.01},
	} {
		w := newWelch(t, 4096)
		w.Write(c.x)
		got, want := total(w.Power()), meanSquare(c.x)
		if db := 10 * math.Log10(got/want); math.Abs(db) > c.tolDB {
			t.Errorf("%s: bins sum to %g, mean square is %g (%.4f dB)", name, got, want, db)
		}
	}
}

func TestWelchIgnoresBlocks(t *testing.T) {
	x := noise(11, 10000)
	whole := newWelch(t, 1024)
	whole.Write(x)
	want := whole.Power()
	for _, size := range []int{1, 7, 511, 512, 1024, 4095} {
		w := newWelch(t, 1024)
		for i := 0; i < len(x); i += size {
			w.Write(x[i:min(i+size, len(x))])
		}
		for k, v := range w.Power() {
			if v != want[k] {
				t.Fatalf("blocks of %d: bin %d is %g, in one block %g", size, k, v, want[k])
			}
		}
	}
}

func TestBreakKeepsStretchesApart(t *testing.T) {
	// A step between two stretches must not smear over the spectrum.
	low, high := make([]float64, 2048), make([]float64, 2048)
	for i := range high {
		high[i] = 1
	}
	w := newWelch(t, 1024)
	w.Write(low)
	w.Write(low[:300])
	w.Break()
	w.Write(high)
	if w.Segments() != 6 {
		t.Fatalf("%d segments, want 3 and 3", w.Segments())
	}
	for k, v := range w.Power()[2:] {
		if v > 1e-25 {
			t.Errorf("bin %d holds %g", k+2, v)
		}
	}
}

func TestWelchResetIsNew(t *testing.T) {
	w := newWelch(t, 256)
	w.Write(noise(1, 1000))
	w.Reset()
	if w.Power() != nil || w.Segments() != 0 {
		t.Fatal("something is left after Reset")
	}
	fresh := newWelch(t, 256)
	w.Write(noise(2, 1000))
	fresh.Write(noise(2, 1000))
	for k, v := range fresh.Power() {
		if w.Power()[k] != v {
			t.Fatalf("bin %d differs after Reset", k)
		}
	}
}

func TestWelchDoesNotAllocate(t *testing.T) {
	w, x := newWelch(t, 1024), noise(1, 1000)
	if n := testing.AllocsPerRun(10, func() { w.Write(x) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

// scipy finds a Python that has SciPy: Debian's may stand behind another one.
func scipy(t *testing.T) string {
	t.Helper()
	for _, python := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(python, "-c", "import scipy.signal").Run() == nil {
			return python
		}
	}
	if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
		t.Fatal("python3 with SciPy is required and was not found")
	}
	t.Skip("python3 with SciPy is not installed")
	return ""
}

// TestWelchAgainstSciPy compares with scipy.signal.welch on the same samples.
func TestWelchAgainstSciPy(t *testing.T) {
	python := scipy(t)
	x := noise(21, 50000)
	for i := range x { // something with a slope and a tone
		if i > 0 {
			x[i] = 0.1*x[i] + 0.8*x[i-1]
		}
	}
	for i, v := range sine(440, 0.3, 44100, len(x)) {
		x[i] += v
	}
	var in, out bytes.Buffer
	if err := binary.Write(&in, binary.LittleEndian, x); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-c", `
import sys, numpy, scipy.signal as s
x = numpy.frombuffer(sys.stdin.buffer.read(), "<f8")
f, p = s.welch(x, 1, "hann", 2048, 1024, detrend=False, scaling="density")
sys.stdout.buffer.write((p/2048).astype("<f8").tobytes())`)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = &in, &out, os.Stderr
	if err := cmd.Run(); err != nil {
		t.Fatal(err)
	}
	want := make([]float64, 1025)
	if err := binary.Read(&out, binary.LittleEndian, want); err != nil {
		t.Fatal(err)
	}
	w := newWelch(t, 2048)
	w.Write(x)
	for k, v := range w.Power() {
		if math.Abs(v-want[k]) > 1e-12*want[k]+1e-20 {
			t.Errorf("bin %d: %g, SciPy has %g", k, v, want[k])
		}
	}
}

func BenchmarkWelch(b *testing.B) {
	w, x := newWelch(b, 4096), noise(1, 44100)
	for b.Loop() {
		w.Write(x)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}

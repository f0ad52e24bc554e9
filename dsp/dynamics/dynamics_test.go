package dynamics_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
)

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

// made fails the test when a constructor does.
func made[P dsp.Processor](t testing.TB) func(p P, err error) P {
	return func(p P, err error) P {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
}

// sine has its peak at a level in dBFS.
func sine(hz, peakDBFS, rateHz float64, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Pow(10, peakDBFS/20) * math.Sin(2*math.Pi*hz*float64(i)/rateHz)
	}
	return x
}

// levelDB is the plain RMS level.
func levelDB(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return 10 * math.Log10(sum/float64(len(x)))
}

// A staticRow is one row of dynamics_static.csv.
type staticRow struct{ threshold, ratio, knee, rangeDB, in, gain float64 }

// staticRows are the published rows of one kind: the static curve of
// Giannoulis, Massberg and Reiss, JAES 60(6), 2012, and its mirror image.
func staticRows(t *testing.T, kind string) []staticRow {
	t.Helper()
	f, err := os.Open("../../testdata/reference/dynamics_static.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var kept []staticRow
	for _, row := range rows {
		if row[0] != kind {
			continue
		}
		var n [8]float64
		for i, s := range row[1:] {
			if s == "" {
				continue // compressors have no range
			}
			if n[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		kept = append(kept, staticRow{n[0], n[1], n[2], -n[3], n[4], n[6]})
	}
	if len(kept) < 30 {
		t.Fatalf("only %d rows of kind %q", len(kept), kind)
	}
	return kept
}

// crossing is the time in seconds, from sample start, at which the gain
// |y/x| in dB has gone the share 1 - 1/e from what it is at start to final.
func crossing(x, y []float64, start int, final, rateHz float64) float64 {
	gain := func(i int) float64 { return 20 * math.Log10(math.Abs(y[i]/x[i])) }
	first := gain(start)
	want := final + (first-final)/math.E
	for i := start + 1; i < len(x); i++ {
		if g := gain(i); (g-want)*(final-first) >= 0 {
			before := gain(i - 1)
			return (float64(i-start) - (g-want)/(g-before)) / rateHz
		}
	}
	return math.Inf(1)
}

// square has the same magnitude everywhere, so that a gain can be read at
// every sample.
func square(peakDBFS float64, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Pow(10, peakDBFS/20) * (1 - 2*float64(i/20%2))
	}
	return x
}

// timeTolerance is ±5 % or ±0.2 ms, whichever is larger.
func timeTolerance(ms float64) float64 { return math.Max(0.05*ms, 0.2) }

// golden holds float64 output to a digest; a change of sound is made on
// purpose, and raises the stage's revision.
func golden(t *testing.T, name string, p dsp.Processor, rateHz float64, want string) {
	t.Helper()
	y, gains := process(p, dsptest.Speechlike(1, 60*dsp.Quantum, rateHz))
	if got := dsptest.Digest(append(y, gains...)); got != want {
		t.Errorf("%s at %g Hz: digest %s, want %s", name, rateHz, got, want)
	}
}

// refuses checks that an error names the parameter, its value and the range.
func refuses(t *testing.T, err error, parts ...string) {
	t.Helper()
	if err == nil {
		t.Errorf("no error, want one that says %q", parts)
		return
	}
	for _, p := range parts {
		if !strings.Contains(err.Error(), p) {
			t.Errorf("error %q does not say %q", err, p)
		}
	}
}

// benchmark reports times real time of mono 44.1 kHz.
func benchmark(b *testing.B, p dsp.Processor) {
	x := dsptest.Speechlike(1, 256*dsp.Quantum, 44100)
	block := make([]float64, dsp.Quantum)
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		copy(block, x[i*dsp.Quantum:])
		p.Process(block)
		i = (i + 1) % 256
	}
	b.ReportMetric(float64(b.N*dsp.Quantum)/44100/b.Elapsed().Seconds(), "x-real-time")
}

var rates = []float64{44100, 48000, 96000}

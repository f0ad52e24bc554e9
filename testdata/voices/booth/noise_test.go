package booth

import (
	"math"
	"strings"
	"testing"

	"chapterhouse/testdata/voices/exact"
)

// listen records so many seconds of nobody speaking.
func listen(t *testing.T, booth, noise string, seconds float64) []float64 {
	t.Helper()
	b, err := Parse(booth)
	if err != nil {
		t.Fatal(err)
	}
	noises, err := ParseNoises(noise)
	if err != nil {
		t.Fatal(err)
	}
	unit := make([]float64, 1<<16)
	r := exact.NewRandom(1, "unit")
	for i := range unit {
		unit[i] = r.White()
	}
	var out []float64
	rec := New(Setup{Booth: b, Noises: noises, SpeechDBFS: -24, RateHz: 44100, Seed: 2}, unit, func(x []float64) error {
		out = append(out, x...)
		return nil
	})
	n := int(seconds * 44100)
	if err := rec.Record(make([]float64, n)); err != nil {
		t.Fatal(err)
	}
	if err := rec.Flush(int64(n)); err != nil {
		t.Fatal(err)
	}
	if len(out) != n {
		t.Fatalf("%d frames out, %d in", len(out), n)
	}
	return out
}

// powers is the power in each bin of 4096 at 44.1 kHz, averaged.
func powers(x []float64) []float64 {
	const n = 4096
	fft := exact.NewFFT(n)
	out := make([]float64, n/2)
	for at := 0; at+n <= len(x); at += n / 2 {
		re, im := make([]float64, n), make([]float64, n)
		for i := range re {
			re[i] = x[at+i] * (0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/n))
		}
		fft.Forward(re, im)
		for k := range out {
			out[k] += re[k]*re[k] + im[k]*im[k]
		}
	}
	return out
}

func bandDB(p []float64, lo, hi float64) float64 {
	sum := 0.0
	for k := range p {
		if hz := float64(k) * 44100 / 4096; hz >= lo && hz < hi {
			sum += p[k]
		}
	}
	return 10 * math.Log10(sum)
}

func TestNoisesStandAtTheirLevels(t *testing.T) {
	for _, kind := range Kinds() {
		for _, booth := range []string{"none", "1.3x1.7x2.05,low=0.26"} {
			x := listen(t, booth, kind+":-60", 16)
			sum := 0.0
			for _, v := range x[16384:] {
				sum += v * v
			}
			level := 10 * math.Log10(sum/float64(len(x)-16384))
			// What swells differs from one stretch to the next.
			tolerance := map[bool]float64{true: 3, false: 1}[kind == "traffic"]
			if !(math.Abs(level+60) <= tolerance) {
				t.Errorf("%s in %s: %.2f dBFS, set was -60", kind, booth, level)
			}
		}
	}
}

func TestNoisesHaveTheirColours(t *testing.T) {
	octaves := func(noise string) []float64 {
		p := powers(listen(t, "none", noise, 20))
		var out []float64
		for hz := 250.0; hz <= 8000; hz *= 2 {
			out = append(out, bandDB(p, hz/math.Sqrt2, hz*math.Sqrt2))
		}
		return out
	}
	// Power of an octave against the one below: pink even, brown -3 dB, white +3 dB.
	for noise, want := range map[string]float64{"pink:-60": 0, "brown:-60": -3, "white:-60": 3} {
		o := octaves(noise)
		for i := 1; i < len(o); i++ {
			if step := o[i] - o[i-1]; math.Abs(step-want) > 0.7 {
				t.Errorf("%s: octave %d stands %+.1f dB over the one below, want %+.0f", noise, i, step, want)
			}
		}
	}
	p := powers(listen(t, "none", "hum:-60@60", 10))
	for h := 1; h <= 6; h++ {
		at := float64(60 * h)
		if over := bandDB(p, at-16, at+16) - bandDB(p, at+22, at+38); over < 10 && h > 2 {
			t.Errorf("hum: line at %.0f Hz only %.1f dB over the gap", at, over)
		}
	}
}

// TestSpeechComesOutAtItsLevel: what the recorder was calibrated with has the
// level that was set.
func TestSpeechComesOutAtItsLevel(t *testing.T) {
	b, err := Parse("1.3x1.7x2.05,low=0.26")
	if err != nil {
		t.Fatal(err)
	}
	r := exact.NewRandom(4, "unit")
	unit := make([]float64, 1<<17)
	for i := range unit {
		unit[i] = r.White()
	}
	sum, n := 0.0, 0
	rec := New(Setup{Booth: b, SpeechDBFS: -24, RateHz: 44100}, unit, func(x []float64) error {
		for _, v := range x {
			sum += v * v
		}
		n += len(x)
		return nil
	})
	if err := rec.Record(unit); err != nil {
		t.Fatal(err)
	}
	if err := rec.Flush(int64(len(unit))); err != nil {
		t.Fatal(err)
	}
	if level := 10 * math.Log10(sum/float64(n)); math.Abs(level+24) > 0.1 || n != len(unit) {
		t.Errorf("%.2f dBFS over %d frames, want -24 over %d", level, n, len(unit))
	}
}

func TestFaultsAreSaid(t *testing.T) {
	for text, part := range map[string]string{"2x2": "want width", "9x1x1": "0.6 to 6 m", "1.3x1.7x2,low=2": "0.02 to 0.98", "1.3x1.7x2,mid=0.2": "neither"} {
		if _, err := Parse(text); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("booth %q: %v, want %q in it", text, err, part)
		}
	}
	for text, part := range map[string]string{"rain:-60": "kinds are", "pink": "dBFS", "hum:-60@5": "20 to 2000", "hum:-60@50+x": "Hz in a minute"} {
		if _, err := ParseNoises(text); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("noise %q: %v, want %q in it", text, err, part)
		}
	}
}

package main

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"chapterhouse/testdata/voices/exact"
	"chapterhouse/testdata/voices/narration"
)

// spoken is some 8 s of a voice that needs no program, without noise.
func spoken(t *testing.T) []float64 {
	t.Helper()
	s, _, err := narration.Reading{Voice: "heron", Seed: 9, RateHz: 44100, Spread: 1, Booth: "none", SpeechDBFS: -24,
		Manner: narration.Manner{HeadS: 0.3, TailS: 0.3, PauseS: 0.8, BreathPct: -1, ClicksMin: -1, Even: true, StopAtS: 5}}.Stems()
	if err != nil {
		t.Fatal(err)
	}
	return s.Voice
}

// withNoise adds white noise so many dB under the whole of x.
func withNoise(x []float64, underDB float64) []float64 {
	r := exact.NewRandom(3, "metric")
	square := 0.0
	for _, v := range x {
		square += v * v
	}
	gain := math.Sqrt(square/float64(len(x))) * math.Pow(10, -underDB/20)
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = v + gain*r.White()
	}
	return out
}

// TestMetricsOfLikeAndUnlike holds every metric at signals for which its value
// is known from its definition, and orders it by how much noise there is.
func TestMetricsOfLikeAndUnlike(t *testing.T) {
	x := spoken(t)
	for _, c := range []struct {
		name      string
		of        func(x, y []float64) float64
		like      float64 // of a recording with itself
		moreIsBad float64 // sign with which it moves with noise
		half      float64 // of the recording with itself at half its amplitude
	}{
		// A difference of half the signal is 6.02 dB under it in every frame.
		{"segmental SNR", func(x, y []float64) float64 { return segmentalSNR(x, y, 44100) }, 35, -1, 20 * math.Log10(2)},
		// Intelligibility doesn't depend on level.
		{"ESTOI", func(x, y []float64) float64 { return estoi(x, y, 44100) }, 1, -1, 1},
		{"log-spectral distance", func(x, y []float64) float64 { return logSpectralDistance(x, y, 44100) }, 0, 1, math.NaN()},
		// Nor does modulation, which is counted against the mean.
		{"modulation lost", func(x, y []float64) float64 {
			return modulationLost(modulation(x, 44100), modulation(y, 44100))
		}, 0, 1, 0},
	} {
		if v := c.of(x, x); math.Abs(v-c.like) > 1e-9 {
			t.Errorf("%s of a recording with itself is %g, want %g", c.name, v, c.like)
		}
		half := make([]float64, len(x))
		for i, v := range x {
			half[i] = v / 2
		}
		if v := c.of(x, half); !math.IsNaN(c.half) && math.Abs(v-c.half) > 1e-6 {
			t.Errorf("%s of a recording with half of it is %g, want %g", c.name, v, c.half)
		}
		last := c.like
		for _, snr := range []float64{40, 30, 20, 10, 0} {
			v := c.of(x, withNoise(x, snr))
			if c.moreIsBad*(v-last) <= 0 {
				t.Errorf("%s is %.3f at %g dB, %.3f with less noise", c.name, v, snr, last)
			}
			last = v
		}
		t.Logf("%s at 0 dB: %.3f", c.name, last)
	}
}

// TestLogSpectralDistanceOfAGain: where nothing lies under the floor, every bin
// of every frame moves by the gain.
func TestLogSpectralDistanceOfAGain(t *testing.T) {
	x := withNoise(make([]float64, 44100), 0)
	r := exact.NewRandom(4, "flat")
	for i := range x {
		x[i] = 0.1 * r.White()
	}
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = v * math.Pow(10, -3.0/20)
	}
	if v := logSpectralDistance(x, y, 44100); math.Abs(v-3) > 0.01 {
		t.Errorf("3 dB less are %.3f dB apart", v)
	}
}

// TestModulationOfASine: intensity 1 + m cos has its modulation at m, so half
// the depth is 6.02 dB less; what is too slow or too fast to be a syllable
// counts for nothing.
func TestModulationOfASine(t *testing.T) {
	modulated := func(depth, hz float64) []float64 {
		r, x := exact.NewRandom(8, "carrier"), make([]float64, 12*44100)
		for i := range x {
			// The same tones in each carrier's octave: noise would modulate itself.
			at := float64(i) / 44100
			v := 0.0
			for _, c := range carriersHz {
				v += math.Sin(2 * math.Pi * c * at)
			}
			x[i] = v*0.1*math.Sqrt(1+depth*math.Cos(2*math.Pi*hz*at)) + 1e-4*r.White()
		}
		return x
	}
	full, half := modulation(modulated(0.8, 5), 44100), modulation(modulated(0.4, 5), 44100)
	slow, fast := modulation(modulated(0.8, 0.5), 44100), modulation(modulated(0.8, 30), 44100)
	for c, hz := range carriersHz {
		if d := full[c] - half[c]; math.Abs(d-20*math.Log10(2)) > 0.1 {
			t.Errorf("%g Hz: half the depth is %.2f dB less", hz, d)
		}
		if full[c]-slow[c] < 20 || full[c]-fast[c] < 20 {
			t.Errorf("%g Hz: modulation of 0.5 Hz counts %.1f dB less than of 5 Hz, of 30 Hz %.1f", hz, full[c]-slow[c], full[c]-fast[c])
		}
	}
}

// estoiReference is the measure written once more with NumPy and SciPy, in
// whole arrays, after the paper's equations.
const estoiReference = `
import sys, numpy as np
from scipy.signal import resample_poly
n = int(sys.argv[1])
both = np.frombuffer(sys.stdin.buffer.read(), "<f8").reshape(2, n)
x, y = (resample_poly(v, 100, 441) for v in both)
w = np.hanning(258)[1:-1]
cut = lambda v: np.lib.stride_tricks.sliding_window_view(v, 256)[::128] * w
a, b = cut(x), cut(y)
energy = 20*np.log10(np.linalg.norm(a, axis=1) + 1e-15)
keep = energy > energy.max() - 40
def joined(frames):
    v = np.zeros(128*(len(frames) - 1) + 256)
    for i, f in enumerate(frames):
        v[128*i:128*i+256] += f
    return v
a, b = (np.abs(np.fft.rfft(cut(joined(f[keep])), 512))**2 for f in (a, b))
hz = np.fft.rfftfreq(512, 1e-4)
mid = 150 * 2**(np.arange(15)/3)
bands = np.zeros((257, 15))
for j, m in enumerate(mid):
    lo, hi = (np.argmin(np.abs(hz - m*2**s)) for s in (-1/6, 1/6))
    bands[lo:hi, j] = 1
X, Y = (np.sqrt(p @ bands) for p in (a, b))
def normal(s, axis):
    s = s - s.mean(axis, keepdims=True)
    return s / np.linalg.norm(s, axis=axis, keepdims=True)
d = []
for m in range(len(X) - 29):
    p, q = (normal(normal(v[m:m+30], 0), 1) for v in (X, Y))
    d.append((p*q).sum()/30)
print(np.mean(d))
`

// TestESTOIAgainstSciPy compares with the measure in another language, with
// another resampler and another transform.
func TestESTOIAgainstSciPy(t *testing.T) {
	python := ""
	for _, p := range []string{"python3", "/usr/bin/python3"} {
		if python == "" && exec.Command(p, "-c", "import scipy.signal").Run() == nil {
			python = p
		}
	}
	if python == "" {
		if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
			t.Fatal("python3 with SciPy is required and was not found")
		}
		t.Skip("python3 with SciPy is not installed")
	}
	x := spoken(t)
	for _, snr := range []float64{0, 15} {
		y := withNoise(x, snr)
		var in bytes.Buffer
		if err := binary.Write(&in, binary.LittleEndian, append(append([]float64{}, x...), y...)); err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(python, "-c", estoiReference, strconv.Itoa(len(x)))
		cmd.Stdin, cmd.Stderr = &in, os.Stderr
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		want, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
		if err != nil {
			t.Fatal(err)
		}
		got := estoi(x, y, 44100)
		t.Logf("%g dB: %.5f, SciPy %.5f", snr, got, want)
		if math.Abs(got-want) > 0.001 {
			t.Errorf("%g dB: %.4f, in SciPy %.4f", snr, got, want)
		}
	}
}

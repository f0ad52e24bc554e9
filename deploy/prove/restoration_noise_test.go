package main

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"chapterhouse/testdata/voices/exact"
)

// gaussian is n samples of Gaussian noise.
func gaussian(n int, gain float64, name string) []float64 {
	r := exact.NewRandom(5, name)
	x := make([]float64, n)
	for i := range x {
		x[i] = gain * r.Normal()
	}
	return x
}

// Gaussian noise has a kurtosis of 6 in its power spectrogram, for E(P⁴)/E(P²)²
// of an exponential distribution is 24/4; and exp(-10) of its bins are more
// than 10 dB over the mean. A gain changes neither. Tones that come and go are
// told.
func TestResidueOfKnownNoise(t *testing.T) {
	const rate = 44100
	g := noiseGrid()
	x := gaussian(20*rate, 0.01, "raw")
	still := stillFrames(g, make([]float64, len(x)), x, 16000, rate)
	for i, s := range still {
		if !s {
			t.Fatalf("frame %d is not still without a voice", i)
		}
	}
	raw := residueOf(g, x, still, 16000, rate)
	if math.Abs(raw.kurtosis-6) > 0.3 {
		t.Errorf("kurtosis of noise is %.2f, want 6", raw.kurtosis)
	}
	if want := math.Exp(-10); raw.outliers < want/2 || raw.outliers > want*2 {
		t.Errorf("%.2g of the bins are outliers, want %.2g", raw.outliers, want)
	}
	soft := append([]float64(nil), x...)
	amplify(soft, 0.25)
	left := residueOf(g, soft, still, 16000, rate)
	if k := logKurtosisRatio(raw, left); math.Abs(k) > 1e-9 || math.Abs(raw.db-left.db-12.04) > 0.01 {
		t.Errorf("softer noise: log kurtosis ratio %g, lowered by %.2f dB", k, raw.db-left.db)
	}
	random := exact.NewRandom(6, "tones")
	for at := 0; at+2000 < len(soft); at += 2000 { // tones of 23 ms at chance frequencies
		hz := random.Between(200, 12000)
		for i := range 1000 {
			soft[at+i] += 0.002 * math.Sin(math.Pi*float64(i)/1000) * math.Sin(2*math.Pi*hz*float64(i)/rate)
		}
	}
	left = residueOf(g, soft, still, 16000, rate)
	if k := logKurtosisRatio(raw, left); k < 1 || left.outliers < 10*raw.outliers {
		t.Errorf("tinkling noise: log kurtosis ratio %.2f, outliers %.1f times", k, left.outliers/raw.outliers)
	}
}

// Frames in which, or beside which, somebody speaks in any third of an octave
// are not noise alone.
func TestStillFramesKeepClearOfSpeech(t *testing.T) {
	const rate = 44100
	g := noiseGrid()
	noise := gaussian(2*rate, 0.001, "noise")
	clean := make([]float64, len(noise))
	for i := rate; i < rate+rate/10; i++ {
		clean[i] = 0.0005 * math.Sin(2*math.Pi*5000*float64(i)/rate)
	}
	still := stillFrames(g, clean, noise, 16000, rate)
	for i, s := range still {
		from, to := i*397, i*397+1411
		clear := to+3*397 < rate || from-3*397 > rate+rate/10
		inside := from >= rate && to <= rate+rate/10
		if clear && !s || inside && s {
			t.Errorf("frame %d at %.3f s: still %v", i, float64(from)/rate, s)
		}
	}
}

// What is cut from a word's beginning is lost there, noise or not.
func TestOnsetLossOfAKnownCut(t *testing.T) {
	const rate = 44100
	clean, noise := make([]float64, 4*rate), gaussian(4*rate, 0.001, "noise")
	var starts []int
	for at := rate / 2; at < 3*rate; at += rate / 2 {
		at := at / 220 * 220
		starts = append(starts, at)
		for i := range rate / 5 {
			clean[at+i] = 0.1 * math.Sin(2*math.Pi*300*float64(i)/rate)
		}
	}
	at := onsets(clean, 0.005, rate)
	if len(at) != len(starts) {
		t.Fatalf("%d onsets, want %d", len(at), len(starts))
	}
	for i := range at {
		if d := at[i] - starts[i]; d < 0 || d > rate/200 {
			t.Errorf("onset at %d, want %d", at[i], starts[i])
		}
	}
	x := mixed(clean, noise)
	out := append([]float64(nil), x...)
	for _, s := range starts {
		for i := range rate * 3 / 100 {
			out[s+i] *= 0.5
		}
	}
	if mean, tenth := onsetLoss(clean, x, out, at, rate); math.Abs(mean-6.02) > 0.1 || math.Abs(tenth-6.02) > 0.1 {
		t.Errorf("halved onsets lose %.2f and %.2f dB, want 6.02", mean, tenth)
	}
	if mean, _ := onsetLoss(clean, x, clean, at, rate); math.Abs(mean) > 0.1 {
		t.Errorf("without its noise it loses %.2f dB", mean)
	}
}

// Each figure that falls short fails its own row.
func TestNoiseRowsFall(t *testing.T) {
	good := noiseFigures{lowered: 11, kurtosis: -0.1, outliers: 1.2, onset: 0.3, distance: 0.1}
	for name, spoil := range map[string]func(*noiseFigures){
		"pauses lowered":     func(n *noiseFigures) { n.lowered = 8.9 },
		"log kurtosis ratio": func(n *noiseFigures) { n.kurtosis = -0.6 },
		"bins 10 dB":         func(n *noiseFigures) { n.outliers = 5.1 },
		"first 30 ms":        func(n *noiseFigures) { n.onset = 1.1 },
		"distance":           func(n *noiseFigures) { n.distance = math.NaN() },
		"nothing":            func(*noiseFigures) {},
	} {
		var tab table
		bad := good
		spoil(&bad)
		bad.hold(&tab, "x: ", good)
		var failed []string
		for _, r := range tab.rows {
			if !r.met {
				failed = append(failed, r.what)
			}
		}
		if name == "nothing" && len(failed) > 0 || name != "nothing" && (len(failed) != 1 || !strings.Contains(failed[0], name)) {
			t.Errorf("%s: %q fell", name, failed)
		}
		var out bytes.Buffer
		if err := tab.write(&out); err != nil {
			t.Error(err)
		}
	}
}

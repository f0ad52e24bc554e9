package main

import (
	"math"

	"chapterhouse/testdata/voices/exact"
)

// Metrics of a restoration against the clean recording, which is known because
// the recording was put together from its stems. They share no code with the
// processors that they judge: transforms are the generator's own.

// activeDB is how far under the loudest frame of the clean recording a frame
// still counts as speech, as in Jensen and Taal (2016), section II.
const activeDB = 40

// A frameGrid is how a signal is cut: Hann windows of size samples, hop apart.
type frameGrid struct {
	window []float64
	hop    int
	fft    *exact.FFT
	re, im []float64
}

// newFrameGrid cuts into windows of size samples, transformed with n points.
func newFrameGrid(size, hop, n int) *frameGrid {
	g := &frameGrid{window: hann(size), hop: hop, fft: exact.NewFFT(n), re: make([]float64, n), im: make([]float64, n)}
	return g
}

// hann is a window of n samples whose zeros lie just outside.
func hann(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i+1)/float64(n+1))
	}
	return w
}

// frames is how many windows fit into n samples.
func (g *frameGrid) frames(n int) int { return max(0, (n-len(g.window))/g.hop+1) }

// energy of a windowed frame.
func (g *frameGrid) energy(x []float64, frame int) float64 {
	sum := 0.0
	for i, v := range x[frame*g.hop:][:len(g.window)] {
		sum += v * v * g.window[i] * g.window[i]
	}
	return sum
}

// power puts a frame's power spectrum into out, from bin 0 up.
func (g *frameGrid) power(x []float64, frame int, out []float64) {
	clear(g.re)
	clear(g.im)
	for i, v := range x[frame*g.hop:][:len(g.window)] {
		g.re[i] = v * g.window[i]
	}
	g.fft.Forward(g.re, g.im)
	for k := range out {
		out[k] = g.re[k]*g.re[k] + g.im[k]*g.im[k]
	}
}

// active tells which frames of the clean recording hold speech.
func (g *frameGrid) active(clean []float64) []bool {
	energies := make([]float64, g.frames(len(clean)))
	loudest := 0.0
	for i := range energies {
		energies[i] = g.energy(clean, i)
		loudest = max(loudest, energies[i])
	}
	out := make([]bool, len(energies))
	for i, e := range energies {
		out[i] = e > loudest*math.Pow(10, -activeDB/10.0)
	}
	return out
}

// segmentalSNR is the mean over frames of speech of the signal-to-noise ratio in
// a frame, dB: frames of 30 ms, three quarters overlapped, each clamped to -10
// to 35 dB (Hansen and Pellom 1998).
func segmentalSNR(clean, x []float64, rate int) float64 {
	size := rate * 3 / 100
	g := newFrameGrid(size, size/4, 1)
	difference := make([]float64, len(clean))
	for i, v := range clean {
		difference[i] = x[i] - v
	}
	sum, n := 0.0, 0.0
	for i, active := range g.active(clean) {
		if !active {
			continue
		}
		snr := 10 * math.Log10(g.energy(clean, i)/(g.energy(difference, i)+1e-30))
		sum += max(-10, min(snr, 35))
		n++
	}
	return sum / n
}

// logSpectralDistance is the mean over frames of speech of the RMS difference of
// two log power spectra, 50 Hz to 8 kHz, in dB. What is more than 50 dB under
// the clean recording's strongest bin counts as being there (Cohen and Berdugo
// 2001), so that silence is not compared with silence.
func logSpectralDistance(clean, x []float64, rate int) float64 {
	size := rate * 3 / 100
	g := newFrameGrid(size, size/2, 2048)
	from, to := binAt(50, rate, 2048), binAt(8000, rate, 2048)
	a, b := make([]float64, to), make([]float64, to)
	active := g.active(clean)
	strongest := 0.0
	for i := range active {
		g.power(clean, i, a)
		for _, p := range a[from:] {
			strongest = max(strongest, p)
		}
	}
	floor := strongest * 1e-5
	sum, n := 0.0, 0.0
	for i := range active {
		if !active[i] {
			continue
		}
		g.power(clean, i, a)
		g.power(x, i, b)
		square := 0.0
		for k := from; k < to; k++ {
			d := 10 * math.Log10(max(a[k], floor)/max(b[k], floor))
			square += d * d
		}
		sum += math.Sqrt(square / float64(to-from))
		n++
	}
	return sum / n
}

// differencePower is the mean square of what x has beside the clean recording.
func differencePower(clean, x []float64) float64 {
	total := 0.0
	for i, v := range clean {
		total += (x[i] - v) * (x[i] - v)
	}
	return total / float64(len(clean))
}

// pausePower is the mean square of x where the clean recording holds no speech.
func pausePower(clean, x []float64, rate int) float64 {
	size := rate * 3 / 100
	g := newFrameGrid(size, size/2, 1)
	total, n := 1e-30, 1e-30
	for i, active := range g.active(clean) {
		if !active {
			total += power(x[i*g.hop:][:size])
			n++
		}
	}
	return total / n
}

func binAt(hz float64, rate, n int) int { return int(math.Round(hz * float64(n) / float64(rate))) }

// carriersHz are the octaves whose modulation is measured.
var carriersHz = [4]float64{500, 1000, 2000, 4000}

// octaveEnvelopes are the intensities in each octave, every 256 samples.
func octaveEnvelopes(x []float64, rate int) (envelopes [4][]float64) {
	g := newFrameGrid(1024, 256, 1024)
	bins := make([]float64, 513)
	for i := range g.frames(len(x)) {
		g.power(x, i, bins)
		for c, hz := range carriersHz {
			sum := 0.0
			for k := binAt(hz/math.Sqrt2, rate, 1024); k < binAt(hz*math.Sqrt2, rate, 1024); k++ {
				sum += bins[k]
			}
			envelopes[c] = append(envelopes[c], sum)
		}
	}
	return envelopes
}

// modulation is how strongly the intensity in each octave is modulated from 2 to
// 16 Hz, the syllables, in dB against its mean: the modulation spectrum of
// Houtgast and Steeneken (1985), one number for each octave.
func modulation(x []float64, rate int) (db [4]float64) {
	envelopes := octaveEnvelopes(x, rate)
	n := len(envelopes[0])
	// Windows of some 3 s; modulation frequencies are counted at the frames' rate.
	m := newFrameGrid(512, 256, 512)
	frameHz := float64(rate) / 256
	from, to := int(math.Ceil(2*512/frameHz)), int(math.Floor(16*512/frameHz))
	spectrum := make([]float64, to+1)
	for c, e := range envelopes {
		mean := 0.0
		for _, v := range e {
			mean += v / float64(n)
		}
		for i := range e {
			e[i] = e[i]/mean - 1
		}
		sum := 0.0
		for i := range m.frames(n) {
			m.power(e, i, spectrum)
			for _, p := range spectrum[from:] {
				sum += p
			}
		}
		db[c] = 10 * math.Log10(sum/float64(m.frames(n)))
	}
	return db
}

// modulationLost is how much weaker b is modulated than a, in the octave that
// lost most, dB.
func modulationLost(a, b [4]float64) float64 {
	lost := math.Inf(-1)
	for c := range a {
		lost = max(lost, a[c]-b[c])
	}
	return lost
}

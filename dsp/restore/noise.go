package restore

import (
	"cmp"
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/spectrum"
)

// NoiseSettings are the parameters of Noise; see there.
type NoiseSettings struct {
	RoomTone    []dsp.DBFS // in spectrum.SixthOctaves, plain RMS; -Inf or NaN: nothing known there
	ReductionDB float64
}

// Noise takes steady noise down, under the words as well as between them, by a
// reduction at most. A listener hears a quieter room and the same voice; with
// more than the voice stands over the room, breathy word ends go with the noise.
//
// Frames of N samples, half overlapped, are windowed by a sine before and after
// a Fourier transform. With X the spectrum, λ the power of the room tone in its
// bin, γ = |X|²/λ, and S the mean of γ over neighbouring bins and frames, one
// frame ahead with it:
//
//	p = 1/(1 + (1 + ξ1)^r·exp(-r·S·ξ1/(1 + ξ1)))   that somebody speaks
//	ξ = a·G²γ of the frame before + (1 - a)·max(0, γ - 1)
//	L = ξ/(1 + ξ)·exp(E1(v)/2),  v = γ·ξ/(1 + ξ)
//	G = max(L, F)^p·F^(1-p),  F = 10^(-reduction/20)
//
// L is the gain that errs least in the logarithm of the amplitude; p keeps it
// from answering to noise, so that what is left of the noise is the noise,
// softer, and no tinkling. a is 0.98 where nobody speaks and falls to 0.4 where
// somebody does, so that words begin at once; ξ1 is 12 dB, r is 4. Where
// noise grows within a part, λ follows by 6 dB at most, after three seconds.
//
// Parameters:
//   - RoomTone: what there is of noise; no default. Without any, and where the
//     reduction is 0, nothing is changed but by the latency.
//   - ReductionDB: the most it takes, 0 to 12; no default.
//
// Latency: N samples: 1024, and 2048 from 88.2 kHz up.
//
// Source: Ephraim and Malah, IEEE Trans. ASSP 32(6), 1984, equation 51, and
// 33(2), 1985, equation 20; Cohen, Signal Processing Letters 9(4), 2002,
// equation 8; p: Gerkmann, Breithaupt and Martin, IEEE Trans. ASLP 16(5), 2008; what
// grows: Martin, IEEE Trans. SAP 9(5), 2001.
type Noise struct {
	idle   *kernel.Delay // instead of all below
	size   int           // of a frame
	fft    *spectrum.FFT
	window []float64
	rule   *gainRule

	input    []float64    // the last frame's samples
	frame    []float64    // scratch
	ahead    []complex128 // the newest spectrum
	now      []complex128 // the one before, whose turn it is
	sum      []float64    // of overlapped frames, not given yet
	gainDB   float64      // of the frame before, of all its power
	gainsDB  []float64
	perHopDB int // control steps a hop
}

// NewNoise makes the processor, silence before it.
func NewNoise(s NoiseSettings, rateHz float64) (*Noise, error) {
	if err := cmp.Or(dsp.CheckRate(rateHz), dsp.Within("reduction_db", s.ReductionDB, 0, 12)); err != nil {
		return nil, err
	}
	if n, want := len(s.RoomTone), len(spectrum.SixthOctaves()); n != 0 && n != want {
		return nil, fmt.Errorf("the room tone has %d bands, want %d sixth octaves", n, want)
	}
	n := &Noise{size: frameSize(rateHz)}
	step := dsp.ControlStep(rateHz)
	n.gainsDB = make([]float64, dsp.Quantum/step)
	if s.ReductionDB == 0 || !anyTone(s.RoomTone) {
		n.idle = kernel.NewDelay(n.size, dsp.Quantum)
		return n, nil
	}
	var err error
	if n.fft, err = spectrum.NewFFT(n.size); err != nil {
		return nil, err
	}
	n.window = sine(n.size)
	n.rule = newGainRule(noisePower(s.RoomTone, n.window, rateHz), s.ReductionDB, rateHz/float64(n.size/2))
	n.input, n.frame, n.sum = make([]float64, n.size), make([]float64, n.size), make([]float64, n.size)
	n.ahead, n.now = make([]complex128, n.size/2+1), make([]complex128, n.size/2+1)
	n.perHopDB = n.size / 2 / step
	return n, nil
}

// frameSize is 21 to 23 ms in samples at the rates of narration. Half of it
// divides the quantum, so that frames lie on the absolute grid.
func frameSize(rateHz float64) int {
	if rateHz >= 88200 {
		return 2 * dsp.Quantum
	}
	return dsp.Quantum
}

// Settle is the number of samples after which a cold start is within -60 dB of
// a warm one.
func (s NoiseSettings) Settle(rateHz float64) int {
	return int((driftStretchS*(driftStretches+1)+0.5)*rateHz) + 2*frameSize(rateHz)
}

// sine is a window whose square sums to 1 at half overlap.
func sine(n int) []float64 {
	w := make([]float64, n)
	for i := range n / 2 {
		w[i] = kernel.Sin(math.Pi * (float64(i) + 0.5) / float64(n))
		w[n-1-i] = w[i]
	}
	return w
}

// Process reduces the noise of one quantum in place.
func (n *Noise) Process(block []float64) {
	if n.idle != nil {
		n.idle.Process(block)
		return
	}
	hop := n.size / 2
	for k := 0; k*hop < len(block); k++ {
		n.hop(block[k*hop:(k+1)*hop], n.gainsDB[k*n.perHopDB:(k+1)*n.perHopDB])
	}
}

// hop takes half a frame of samples and gives half a frame back.
func (n *Noise) hop(x, gainsDB []float64) {
	hop := len(x)
	copy(n.input, n.input[hop:])
	copy(n.input[hop:], x)
	n.now, n.ahead = n.ahead, n.now
	for i, w := range n.window {
		n.frame[i] = float64(w * n.input[i])
	}
	n.fft.Forward(n.ahead, n.frame)

	gainDB := n.rule.apply(n.now, n.ahead)
	n.fft.Inverse(n.frame, n.now)
	for i, w := range n.window {
		n.sum[i] += float64(w * n.frame[i])
	}
	copy(x, n.sum[:hop])
	copy(n.sum, n.sum[hop:])
	clear(n.sum[hop:])

	// Frames' middles are a hop apart: the first of this hop's samples is the
	// middle of the frame before.
	for i := range gainsDB {
		part := float64(i+1) / float64(len(gainsDB))
		gainsDB[i] = n.gainDB + float64(part*(gainDB-n.gainDB))
	}
	n.gainDB = gainDB
}

// Place says where on the absolute grid the next quantum begins.
func (n *Noise) Place(at dsp.Frames) {
	if n.idle != nil {
		return
	}
	hops, stretch := int(at)/(n.size/2), n.rule.drift.stretch
	n.rule.drift.frame = (hops%stretch + stretch) % stretch
}

// Latency is a frame in samples.
func (n *Noise) Latency() int { return n.size }

// Reset forgets all sound.
func (n *Noise) Reset() {
	clear(n.gainsDB)
	if n.idle != nil {
		n.idle.Reset()
		return
	}
	n.rule.reset()
	clear(n.input)
	clear(n.sum)
	clear(n.ahead)
	clear(n.now)
	n.gainDB = 0
}

// GainsDB is how far the power of all frequencies together was lowered in the
// last quantum, one value a control step; 0 in digital silence.
func (n *Noise) GainsDB() []float64 { return n.gainsDB }

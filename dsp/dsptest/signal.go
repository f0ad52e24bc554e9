package dsptest

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"math"

	"chapterhouse/dsp/kernel"
)

// Digest identifies samples by their bits: golden tests of stages compare it.
func Digest(samples []float64) string {
	h := sha256.New()
	var b [8]byte
	for _, v := range samples {
		binary.LittleEndian.PutUint64(b[:], math.Float64bits(v))
		h.Write(b[:])
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// random is a number in [-1, 1) that depends on its seed and index only.
// Source: the finalizer of SplitMix64, Steele, Lea and Flood, OOPSLA 2014.
func random(seed, index uint64) float64 {
	z := seed*0xd1342543de82ef95 + (index+1)*0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	z ^= z >> 31
	return float64(float64(int64(z)>>11) / (1 << 52))
}

// Noise is n samples of white noise, uniform in [-1, 1): -4.8 dBFS RMS. The
// same seed gives the same bits everywhere.
func Noise(seed uint64, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = random(seed, uint64(i))
	}
	return x
}

// Speechlike is n samples with the build of narration at a rate: voiced
// syllables of moving pitch and level through three formants, sibilants,
// short gaps and breathing pauses over a faint room tone; about -23 dBFS RMS
// while it speaks. It is for exercising processors, not for tuning them. The
// same seed gives the same bits everywhere.
func Speechlike(seed uint64, n int, rateHz float64) []float64 {
	s := &speaker{seed: seed, rate: rateHz}
	x := make([]float64, 0, n)
	for len(x) < n {
		for range 4 + int(4*s.between(0, 1)) { // a phrase
			x = s.syllable(x)
			if s.between(0, 1) < 0.35 {
				x = s.sibilant(x)
			}
			x = s.rest(x, s.between(0.02, 0.08))
		}
		x = s.rest(x, s.between(0.3, 0.8))
	}
	x = x[:n]
	for i := range x {
		x[i] += float64(0.0004 * random(^seed, uint64(i))) // -73 dBFS RMS
	}
	return x
}

type speaker struct {
	seed, drawn uint64
	rate        float64
}

func (s *speaker) between(low, high float64) float64 {
	s.drawn++
	return low + float64((high-low)*(random(s.seed, s.drawn)+1)/2)
}

func (s *speaker) rest(x []float64, seconds float64) []float64 {
	return append(x, make([]float64, int(seconds*s.rate))...)
}

// fade rises and falls linearly over 15 ms at both ends of n samples.
func (s *speaker) fade(i, n int) float64 {
	return min(1, float64(min(i, n-1-i))/float64(0.015*s.rate))
}

func (s *speaker) syllable(x []float64) []float64 {
	n := int(s.between(0.1, 0.28) * s.rate)
	level := kernel.FromDB(s.between(-18, -8))
	pitch, glide := s.between(95, 190), s.between(-0.25, 0.1)
	formants := []*kernel.Cascade{
		s.resonance(s.between(300, 800), 80),
		s.resonance(s.between(900, 2200), 110),
		s.resonance(s.between(2300, 3200), 160),
	}
	weights := []float64{1, 0.5, 0.25}
	pulses := make([]float64, n)
	for i, phase := 0, 1.0; i < n; i++ {
		if phase >= 1 {
			phase--
			pulses[i] = s.rate / 280 // the same harmonics at every rate
		}
		phase += pitch * (1 + float64(glide*float64(i)/float64(n))) / s.rate
	}
	s.glottis().Process(pulses)
	sum := make([]float64, n)
	for k, f := range formants {
		part := append([]float64(nil), pulses...)
		f.Process(part)
		for i := range sum {
			sum[i] += float64(weights[k] * part[i])
		}
	}
	for i := range sum {
		sum[i] *= level * s.fade(i, n)
	}
	return append(x, sum...)
}

func (s *speaker) sibilant(x []float64) []float64 {
	n := int(s.between(0.06, 0.13) * s.rate)
	level := kernel.FromDB(s.between(-26, -14))
	hiss := make([]float64, n)
	for i := range hiss {
		hiss[i] = s.between(-1, 1)
	}
	s.resonance(s.between(5000, 7500), 1800).Process(hiss)
	for i := range hiss {
		hiss[i] *= level * s.fade(i, n)
	}
	return append(x, hiss...)
}

// glottis takes 12 dB per octave off the pulses above 500 Hz.
func (s *speaker) glottis() *kernel.Cascade {
	r := kernel.Exp(-2 * math.Pi * 500 / s.rate)
	return kernel.NewCascade([]kernel.Biquad{{B0: (1 - r) * (1 - r), A1: -2 * r, A2: r * r}})
}

// resonance is a pair of poles with zeros at 0 Hz and half the rate, about 1 at
// its peak.
func (s *speaker) resonance(hz, widthHz float64) *kernel.Cascade {
	r := kernel.Exp(-math.Pi * widthHz / s.rate)
	w := 2 * math.Pi * hz / s.rate
	g := (1 - float64(r*r)) / 2
	return kernel.NewCascade([]kernel.Biquad{{B0: g, B2: -g, A1: -2 * r * kernel.Cos(w), A2: r * r}})
}

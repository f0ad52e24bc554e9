package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sync"

	"chapterhouse/dsp/dsptest"
)

const (
	ceilingLimitDB = 0.05 // for content up to ordinaryShare of the rate
	highLimitDB    = 0.2  // above
	ordinaryShare  = 0.41
)

// limiterRows holds the stage's ceiling against an oversampler of its own.
func limiterRows(ctx context.Context, s *site, t *table) error {
	judge := newOversampler()
	random := rand.New(rand.NewPCG(s.seed, 9))
	for _, rate := range []float64{44100, 96000} {
		signals := limited(s.seed, rate)
		for _, c := range []struct{ over, release float64 }{{11, 80}, {6, 20}} {
			for _, x := range signals {
				if err := ctx.Err(); err != nil {
					return err
				}
				ps, err := staged(fmt.Sprintf("  - limiter: {ceiling_over_speech_db: %g, release_ms: %g}\n", c.over, c.release), rate, -80)
				if err != nil {
					return err
				}
				ceiling := speechDBFS + c.over
				before := judge.peakDB(x.samples)
				after := judge.peakDB(cutAtRandom(ps, x.samples, random))
				limit := ceilingLimitDB
				if x.high {
					limit = highLimitDB
				}
				t.atMost(fmt.Sprintf("limiter at %g dBTP, rate %g, %s", ceiling, rate, x.name), after-ceiling, limit, "%+.3f dB",
					fmt.Sprintf("from %+.1f", before-ceiling))
			}
		}
	}
	t.note("Limiter: dB over the ceiling, by an oversampler to 16 times with 128 taps a phase under a Blackman-Harris window. Content up to")
	t.note("%.2f of the rate, and in the rows named so above it.", ordinaryShare)
	return nil
}

// A limitedSignal is what the ceiling is proven on.
type limitedSignal struct {
	name    string
	samples []float64
	high    bool // has content above ordinaryShare of the rate
}

func limited(seed uint64, rateHz float64) []limitedSignal {
	n := int(2 * rateHz)
	bursts, clicks, high, quarter := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	rise := (0.39*rateHz - 800) / float64(2*n) // to 0.39 of the rate
	for i := range bursts {                    // 3 ms of tone every 37 ms, rising; above, tones from 0.42 to 0.47 of the rate
		at := i % int(0.037*rateHz)
		if width := 0.003 * rateHz; float64(at) < width {
			hann := math.Sin(math.Pi * float64(at) / width)
			bursts[i] = hann * hann * math.Sin(2*math.Pi*float64(i)*(800+rise*float64(i))/rateHz)
		}
		fade := math.Min(1, float64(min(i%8192, 8191-i%8192))/600)
		quarter[i] = fade * math.Sin(math.Pi/2*float64(i)+math.Pi/4) // all samples at 0.707 of the true peak
		share := 0.42 + 0.05*float64(i/8192)/float64(n/8192)
		high[i] = fade * math.Sin(2*math.Pi*math.Mod(share*float64(i), 1)+1)
	}
	for i := 500; i < n-1; i += 1777 {
		clicks[i], clicks[i+1] = 1, float64(i%3)-1
	}
	white, speech := whiteNoise(seed, 0, n), dsptest.Speechlike(seed, n, rateHz)
	for _, x := range [][]float64{bursts, clicks, high, quarter, white, speech} {
		for i := range x { // cut off, a signal has content up to half the rate
			x[i] *= math.Max(0, math.Min(1, float64(n-4096-i)/600))
		}
	}
	return []limitedSignal{
		{"speech", loudest(lowpassed(speech, ordinaryShare), 0), false},
		{"tone bursts", loudest(bursts, 0), false},
		{"a quarter of the rate at 45 degrees", loudest(lowpassed(quarter, ordinaryShare), -3), false},
		{"clicks", loudest(lowpassed(clicks, ordinaryShare), 0), false},
		{"noise", loudest(lowpassed(white, ordinaryShare), 0), false},
		{"noise up to 0.46 of the rate", loudest(lowpassed(white, 0.46), 0), true},
		{"tones from 0.42 to 0.47 of the rate", loudest(high, 0), true},
	}
}

// lowpassed keeps what is below a share of the rate, by a linear-phase filter.
func lowpassed(x []float64, share float64) []float64 {
	const half = 127
	cutoff := share - 0.015 // half the transition of the Blackman window
	var taps [2*half + 1]float64
	for k := range taps {
		w := math.Pi * (float64(k-half)/(half+1) + 1)
		taps[k] = 2 * cutoff * sinc(2*cutoff*float64(k-half)) * (0.42 - 0.5*math.Cos(w) + 0.08*math.Cos(2*w))
	}
	y := make([]float64, len(x))
	for i := range y {
		for k, c := range taps {
			if n := i + k - half; n >= 0 && n < len(x) {
				y[i] += c * x[n]
			}
		}
	}
	return y
}

// loudest scales x so that its largest sample has a level.
func loudest(x []float64, peakDBFS float64) []float64 {
	peak := 0.0
	for _, v := range x {
		peak = max(peak, math.Abs(v))
	}
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = v / peak * math.Pow(10, peakDBFS/20)
	}
	return y
}

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

const (
	judgePhases = 16
	judgeTaps   = 128
)

// An oversampler finds the peak of a signal 16 times oversampled, so that half of
// its points lie between those that the limiter looks at: a sinc of 128 taps a
// phase under a Blackman-Harris window (Harris, Proc. IEEE 66(1), 1978).
type oversampler [judgePhases][judgeTaps]float64

func newOversampler() *oversampler {
	o := &oversampler{}
	for phase := range o {
		for k := range o[phase] {
			at := float64(k-judgeTaps/2+1) - float64(phase)/judgePhases
			w := math.Pi * (at/(judgeTaps/2) + 1)
			o[phase][k] = sinc(at) * (0.35875 - 0.48829*math.Cos(w) + 0.14128*math.Cos(2*w) - 0.01168*math.Cos(3*w))
		}
	}
	return o
}

func (o *oversampler) peakDB(x []float64) float64 {
	padded := append(append(make([]float64, judgeTaps), x...), make([]float64, judgeTaps)...)
	var peaks [judgePhases]float64
	var wait sync.WaitGroup
	for phase := range o {
		wait.Go(func() {
			for i := 0; i+judgeTaps <= len(padded); i++ {
				w := (*[judgeTaps]float64)(padded[i:])
				var a, b float64
				for k := 0; k < judgeTaps; k += 2 {
					a += o[phase][k] * w[k]
					b += o[phase][k+1] * w[k+1]
				}
				peaks[phase] = max(peaks[phase], math.Abs(a+b))
			}
		})
	}
	wait.Wait()
	peak := 0.0
	for _, p := range peaks {
		peak = max(peak, p)
	}
	return inDB(peak)
}

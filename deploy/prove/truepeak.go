package main

import (
	"encoding/binary"
	"errors"
	"io"
	"math"
	"os"
)

// betweenSamples finds peaks between samples by itself: 8 times the rate, a sinc
// over 96 samples under a Kaiser window, which is flat to 0.47 of the rate. It
// shares nothing with the meter that it is held against.
type betweenSamples struct {
	phases [7][betweenTaps]float64
	bound  float64 // no point is larger than this times the largest sample around it
}

const (
	betweenTaps = 96
	betweenBeta = 9
)

func newBetweenSamples() *betweenSamples {
	bessel := func(x float64) float64 {
		sum, term := 1.0, 1.0
		for k := 1.0; term > 1e-18*sum; k++ {
			term *= x * x / 4 / (k * k)
			sum += term
		}
		return sum
	}
	var o betweenSamples
	for p := range o.phases {
		var norm float64
		for k := range o.phases[p] {
			at := float64(k-betweenTaps/2+1) - float64(p+1)/8
			u := at / (betweenTaps / 2)
			w := math.Sin(math.Pi*at) / (math.Pi * at) * bessel(betweenBeta*math.Sqrt(1-u*u)) / bessel(betweenBeta)
			o.phases[p][k] = w
			norm += math.Abs(w)
		}
		o.bound = max(o.bound, norm)
	}
	return &o
}

// peak is the larger of peak and what lies at and after the sample in the middle
// of each window of x; it looks between samples only where that can be larger.
func (o *betweenSamples) peak(peak float64, x []float64) float64 {
	const half, block = betweenTaps / 2, 64
	for from := half - 1; from+half < len(x); from += block {
		to := min(from+block, len(x)-half)
		around := 0.0
		for _, v := range x[from-half+1 : to+half] {
			around = max(around, math.Abs(v))
		}
		if around*o.bound <= peak {
			continue
		}
		for i := from; i < to; i++ {
			peak = max(peak, math.Abs(x[i]))
			w := (*[betweenTaps]float64)(x[i-half+1:])
			for p := range o.phases {
				var y float64
				for k, h := range o.phases[p] {
					y += h * w[k]
				}
				peak = max(peak, math.Abs(y))
			}
		}
	}
	return peak
}

// truePeakOf is the true peak of raw samples, dBTP. Silence stands around them.
func (o *betweenSamples) truePeakOf(raw string, channels int) (float64, error) {
	f, err := os.Open(raw)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	const chunk = 1 << 16
	bytes := make([]byte, 8*channels*chunk)
	held := make([][]float64, channels) // each begins with the samples that the next block's points reach back to
	for c := range held {
		held[c] = make([]float64, betweenTaps)
	}
	peak := 0.0
	hear := func(c int, x []float64) {
		held[c] = append(held[c], x...)
		peak = o.peak(peak, held[c])
		held[c] = append(held[c][:0], held[c][max(0, len(held[c])-betweenTaps):]...)
	}
	x := make([]float64, chunk)
	for {
		n, err := io.ReadFull(f, bytes)
		if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			return 0, err
		}
		frames := n / (8 * channels)
		for c := range held {
			for i := range frames {
				x[i] = math.Float64frombits(binary.LittleEndian.Uint64(bytes[8*(i*channels+c):]))
			}
			hear(c, x[:frames])
		}
		if err != nil {
			break
		}
	}
	for c := range held {
		hear(c, make([]float64, betweenTaps))
	}
	return 20 * math.Log10(peak), nil
}

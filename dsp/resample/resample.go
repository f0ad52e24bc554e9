// Package resample changes the sample rate of a mono signal by a ratio of
// whole numbers. It does not follow clocks that drift, and it does not change
// speed or pitch.
package resample

import (
	"fmt"

	"chapterhouse/dsp"
)

// Lowest and highest sample rate, in Hz.
const (
	MinRate = 8000
	MaxRate = 192000
)

// blockLen is how many input samples are taken at once; it bounds memory and
// has no influence on the result.
const blockLen = 4096

// A Resampler takes a signal from one rate to another with a linear-phase
// polyphase filter whose delay is removed: output k is the signal at time
// k/to, computed as one sum in a fixed order, so neither the length of the
// blocks nor the processor changes a bit.
//
// Up to 20/22.05 of half the lower rate (20 kHz between 44.1 and 48 kHz) the
// level is kept within 0.01 dB; from half the lower rate on everything is at
// least 120 dB down. Outside its ends the signal is taken as silence. Between
// equal rates samples pass untouched.
//
// Source: R. E. Crochiere, L. R. Rabiner, Multirate Digital Signal Processing,
// 1983, sections 2.3.3 and 4.3; the targets are common practice.
type Resampler struct {
	l, m int // output k is at input sample k·m/l
	taps int
	bank []float64 // nil between equal rates

	held  []float64 // input from the first sample that is still needed
	at    int       // in held: where the filter of the next output begins
	phase int       // of the next output, in 1/l input samples
	in    dsp.Frames
	out   dsp.Frames
	block []float64
}

// New prepares a change from one rate to another, both from MinRate to
// MaxRate. All ratios between 8, 11.025, 12, 16, 22.05, 24, 32, 44.1, 48, 88.2,
// 96, 176.4 and 192 kHz work; rates that have no large common divisor, such as
// 44100 and 44101, are refused.
func New(fromHz, toHz int) (*Resampler, error) {
	for _, rate := range []int{fromHz, toHz} {
		if rate < MinRate || rate > MaxRate {
			return nil, fmt.Errorf("resample: a rate of %d Hz is outside %d to %d Hz", rate, MinRate, MaxRate)
		}
	}
	g := gcd(fromHz, toHz)
	r := &Resampler{l: toHz / g, m: fromHz / g}
	if r.l != r.m {
		var err error
		if r.bank, r.taps, err = design(r.l, r.m); err != nil {
			return nil, fmt.Errorf("resample %d Hz to %d Hz: %w", fromHz, toHz, err)
		}
		r.held = make([]float64, 0, r.taps+blockLen)
		r.block = make([]float64, 0, (r.taps+blockLen)*r.l/r.m+2)
	}
	r.Reset()
	return r, nil
}

// Length is the number of output samples for n input samples, n·to/from
// rounded up.
func (r *Resampler) Length(n dsp.Frames) dsp.Frames {
	l, m := dsp.Frames(r.l), dsp.Frames(r.m)
	return n/m*l + (n%m*l+m-1)/m
}

// Write takes the next input samples, in blocks of any length, and gives what
// has become certain to emit, in blocks of any length. y is valid until emit
// returns. Write does not allocate.
func (r *Resampler) Write(x []float64, emit func(y []float64)) {
	if r.bank == nil {
		if len(x) > 0 {
			emit(x)
		}
		return
	}
	r.in += dsp.Frames(len(x))
	for len(x) > 0 {
		n := copy(r.room(len(x)), x)
		x = x[n:]
		r.run(emit)
	}
}

// Close gives the rest of the output to emit. The Resampler is then as New
// left it.
func (r *Resampler) Close(emit func(y []float64)) {
	if r.bank != nil {
		for after := r.taps / 2; after > 0; {
			silence := r.room(after)
			clear(silence)
			after -= len(silence)
			r.run(emit)
		}
	}
	r.Reset()
}

// Reset forgets everything written.
func (r *Resampler) Reset() {
	r.at, r.phase, r.in, r.out = 0, 0, 0, 0
	if r.bank != nil {
		r.held = r.held[:r.taps/2-1] // the silence before the first sample
		clear(r.held)
	}
}

// room makes held longer by up to n samples and returns the new ones.
func (r *Resampler) room(n int) []float64 {
	if len(r.held) == cap(r.held) {
		r.held = r.held[:copy(r.held, r.held[r.at:])]
		r.at = 0
	}
	end := len(r.held)
	r.held = r.held[:min(end+n, cap(r.held))]
	return r.held[end:]
}

// run computes every output whose input is complete.
func (r *Resampler) run(emit func(y []float64)) {
	whole, part := r.m/r.l, r.m%r.l
	length := r.Length(r.in)
	y := r.block[:0]
	for r.at+r.taps <= len(r.held) && r.out < length {
		y = append(y, dot(r.held[r.at:r.at+r.taps], r.bank[r.phase*r.taps:(r.phase+1)*r.taps]))
		r.out++
		r.at += whole
		if r.phase += part; r.phase >= r.l {
			r.phase -= r.l
			r.at++
		}
	}
	if len(y) > 0 {
		emit(y)
	}
}

// dot is the sum of the products of x and c, of equal length divisible by 4,
// in four sums that are added at the end.
func dot(x, c []float64) float64 {
	var s0, s1, s2, s3 float64
	for len(x) >= 4 && len(c) >= 4 {
		s0 += float64(x[0] * c[0])
		s1 += float64(x[1] * c[1])
		s2 += float64(x[2] * c[2])
		s3 += float64(x[3] * c[3])
		x, c = x[4:], c[4:]
	}
	return (s0 + s1) + (s2 + s3)
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

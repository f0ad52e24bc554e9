package dsptest

import (
	"fmt"
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// checkLatency finds the delay of band-limited noise by cross-correlation. The
// band, 200 Hz to 0.15 of the rate, is where every stage lets speech through.
func checkLatency(rateHz float64, makeProcessor func() dsp.Processor) error {
	const n = 16 * dsp.Quantum
	p := makeProcessor()
	reach := p.Latency() + 2048
	x := bandNoise(10, n+reach, 200/rateHz, 0.15)
	y := append([]float64(nil), x...)
	y = append(y, make([]float64, dsp.Quantum-len(y)%dsp.Quantum)...)
	for q := 0; q < len(y); q += dsp.Quantum {
		p.Process(y[q : q+dsp.Quantum])
	}
	best, at := 0.0, -1
	for lag := range reach {
		var c float64
		for i := range n {
			c += float64(x[i] * y[i+lag])
		}
		if c > best {
			best, at = c, lag
		}
	}
	if at != p.Latency() {
		return fmt.Errorf("noise comes out %d samples late, Latency says %d", at, p.Latency())
	}
	return nil
}

// bandNoise is noise at -20 dBFS RMS between two frequencies in shares of the
// rate, by a linear-phase filter.
func bandNoise(seed uint64, n int, low, high float64) []float64 {
	const half = 256
	taps := make([]float64, 2*half+1)
	for i := range taps {
		k := float64(i - half)
		hann := 0.5 + float64(0.5*kernel.Cos(math.Pi*k/(half+1)))
		taps[i] = hann * (float64(2*high*kernel.Sinc(2*high*k)) - float64(2*low*kernel.Sinc(2*low*k)))
	}
	white := Noise(seed, n+2*half)
	x := make([]float64, n)
	var power float64
	for i := range x {
		var sum float64
		for k, t := range taps {
			sum += float64(t * white[i+k])
		}
		x[i] = sum
		power += float64(sum * sum)
	}
	scale := 0.1 / math.Sqrt(power/float64(n))
	for i := range x {
		x[i] *= scale
	}
	return x
}

// Settle checks that a cold start is within -60 dB of a warm one after
// settleFrames: whatever came before, the next second of speech has a
// difference 60 dB below itself. A preview may then begin that much earlier
// than what it plays. make returns a new processor each time.
func Settle(t *testing.T, rateHz float64, make func() dsp.Processor, settleFrames int) {
	t.Helper()
	report(t, "settle", checkSettle(rateHz, make, settleFrames))
}

func checkSettle(rateHz float64, makeProcessor func() dsp.Processor, settleFrames int) error {
	if longest := int(8 * rateHz); settleFrames < 0 || settleFrames > longest {
		return fmt.Errorf("%d frames to settle, it must be 0 to %d (8 s): anything slower is a number from the profile, not a state", settleFrames, longest)
	}
	const start = 3_333
	second := int(rateHz)
	before := int(4 * rateHz)
	for seed, past := range []struct {
		name   string
		signal []float64
	}{
		{"speech", Speechlike(11, before, rateHz)},
		{"full-scale noise", Noise(12, before)},
		{"silence", make([]float64, before)},
		{"shouted speech", loud(Speechlike(13, before, rateHz))},
	} {
		x := Speechlike(uint64(20+seed), settleFrames+second, rateHz)
		warm := run(makeProcessor(), start, append(past.signal, x...), dsp.Quantum)[before:]
		cold := run(makeProcessor(), start+dsp.Frames(before), x, dsp.Quantum)
		var signal, difference float64
		for i := settleFrames; i < len(x); i++ {
			d := warm[i] - cold[i]
			signal += float64(warm[i] * warm[i])
			difference += float64(d * d)
		}
		if db := kernel.PowerDB(difference / signal); !(db <= -60) {
			return fmt.Errorf("after %d frames a cold start is at %.1f dB of one warm with %s, want -60", settleFrames, db, past.name)
		}
	}
	return nil
}

// loud is speech four times as large, clipped at full scale.
func loud(x []float64) []float64 {
	for i, v := range x {
		x[i] = max(-1, min(1, 4*v))
	}
	return x
}

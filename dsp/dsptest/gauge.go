package dsptest

import (
	"fmt"
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// Gauge holds the gains that a processor tells against its sound: it must be one
// gain for the whole spectrum. Noise that steps through levels from -60 to
// -1 dBFS comes out with the gain told for each control step, or one between it
// and the one before, within 0.05 dB; and the gain must have moved by 1 dB or
// more, or nothing is proven.
func Gauge(t *testing.T, rateHz float64, make func() dsp.Processor) {
	t.Helper()
	report(t, "gauge", checkTrueGauge(rateHz, make()))
}

func checkTrueGauge(rateHz float64, p dsp.Processor) error {
	g, ok := p.(dsp.Gauge)
	if !ok {
		return fmt.Errorf("it has none")
	}
	const stretch = 24 * dsp.Quantum // about half a second
	levels := []float64{-60, -20, -1, -45, -12, -30, -60, -6}
	x := Noise(31, len(levels)*stretch)
	for i := range x {
		x[i] *= kernel.FromDB(levels[i/stretch])
	}
	late := p.Latency()
	step := dsp.ControlStep(rateHz)
	block := make([]float64, dsp.Quantum)
	var lowest, highest, last float64
	for q := 0; q < len(x); q += dsp.Quantum {
		copy(block, x[q:])
		p.Process(block)
		for j, gain := range g.GainsDB() {
			from := q + j*step - late
			if from < 0 {
				last = gain
				continue
			}
			var in, out float64
			for i := range step {
				a, b := x[from+i], block[j*step+i]
				in += float64(a * a)
				out += float64(b * b)
			}
			heard := kernel.PowerDB(out / in)
			if heard < math.Min(last, gain)-0.05 || heard > math.Max(last, gain)+0.05 {
				return fmt.Errorf("the gain at sample %d is %.3f dB, it tells %.3f after %.3f", from, heard, gain, last)
			}
			lowest, highest, last = math.Min(lowest, gain), math.Max(highest, gain), gain
		}
	}
	if highest-lowest < 1 {
		return fmt.Errorf("the gain moves by %.2f dB only: nothing is proven", highest-lowest)
	}
	return nil
}

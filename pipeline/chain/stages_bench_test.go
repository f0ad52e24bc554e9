package chain

import (
	"fmt"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/pipeline"
)

// BenchmarkStages takes speech-like material through every stage of the
// registry, in the settings that are held to the contract.
func BenchmarkStages(b *testing.B) {
	const rate = 44100
	signal := dsptest.Speechlike(1, 8*rate/dsp.Quantum*dsp.Quantum, rate)
	block := make([]float64, dsp.Quantum)
	for _, s := range settings {
		r := resolve(b, s.stage, s.params)
		b.Run(fmt.Sprintf("%s %.60s", s.stage, r.Params), func(b *testing.B) {
			ps, err := New([]pipeline.Resolved{r}, rate, facts())
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			frames := 0
			for b.Loop() {
				for at := 0; at < len(signal); at += dsp.Quantum {
					copy(block, signal[at:])
					ps[0].Process(block)
				}
				frames += len(signal)
			}
			b.ReportMetric(float64(frames)/rate/b.Elapsed().Seconds(), "x-real-time")
		})
	}
}

// Command samebits prints one line for everything that makes samples or facts:
// its name and the digest of its float64 results on fixed signals. A test runs
// it in three modes of the machine and compares the lines.
package main

import (
	"fmt"
	"os"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
)

// subjects are everything under guard, one line each, by package.
func subjects() []subject {
	var all []subject
	for _, list := range [][]subject{
		arithmetic(), filters(), chains(), dynamicsStages(), levels(), meters(), resamplers(), spectra(), restoration(), overtones(),
	} {
		all = append(all, list...)
	}
	return all
}

// A subject is a name and what it computes.
type subject struct {
	name    string
	compute func() []float64
}

func main() {
	for _, s := range subjects() {
		fmt.Printf("%s: %s\n", s.name, dsptest.Digest(s.compute()))
	}
}

// stage is a processor on four seconds of speech, full-scale noise and silence.
func stage(name string, rateHz float64, make func() (dsp.Processor, error)) subject {
	return chain(name, 0, rateHz, make)
}

// chain is processors in series, from an absolute frame on, with the gains of
// those that are gauges.
func chain(name string, start dsp.Frames, rateHz float64, makers ...func() (dsp.Processor, error)) subject {
	return subject{fmt.Sprintf("%s, %g Hz", name, rateHz), func() []float64 {
		var procs []dsp.Processor
		for _, make := range makers {
			procs = append(procs, must(make()))
		}
		var y []float64
		emit := func(part []float64) { y = append(y, part...) }
		e := dsp.NewEngine(start, procs...)
		e.OnQuantum(func(_ dsp.Frames, _ int, gainsDB []float64) { emit(gainsDB) })
		for _, part := range [][]float64{
			dsptest.Speechlike(1, int(2.5*rateHz), rateHz),
			dsptest.Noise(2, int(0.5*rateHz)),
			make([]float64, int(0.5*rateHz)),
			dsptest.Speechlike(3, int(0.5*rateHz), rateHz),
		} {
			e.Write(part, emit)
		}
		e.Close(emit)
		return y
	}}
}

// must ends the program: a subject with illegal parameters guards nothing.
func must[T any](v T, err error) T {
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	return v
}

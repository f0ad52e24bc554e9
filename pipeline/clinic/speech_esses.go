package clinic

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dynamics"
	"chapterhouse/dsp/spectrum"
)

const (
	essLowHz, essHighHz = 4500.0, 12000.0 // where the band may lie
	essVowelsHz         = 3000.0          // an ess has more over essLowHz than from 150 to here
	essHopS             = 0.01
	essLeastS           = 0.03 // shorter ones are bursts of t and k
	essEdgeDB           = 7.0  // under its strongest sixth octave the band ends
	essSofterDB         = 15.0 // under the loudest: none
	essesNeeded         = 5
)

// Esses are where a voice's esses lie.
type esses struct {
	fromHz, toHz float64 // the band they live in
	spans        []span  // each ess
}

// A span is a stretch of samples.
type span struct{ from, to int }

// essesOf finds the esses of speech, and the band that holds them: down to 7 dB
// under the strongest sixth octave of their mean spectrum. Nil where there are
// too few to tell.
func essesOf(r *Read) *esses {
	n := 1024
	for n*2 <= r.RateHz/40 {
		n *= 2
	}
	fft, err := spectrum.NewFFT(n)
	if err != nil {
		panic(err) // a power of two
	}
	window, x, bins := spectrum.Hann(n), make([]float64, n), make([]complex128, n/2+1)
	hop := int(essHopS * float64(r.RateHz))
	bin := func(hz float64) int { return min(n/2, int(hz*float64(n)/float64(r.RateHz))) }
	sum, power := make([]float64, n/2+1), make([]float64, n/2+1)
	var e esses
	for _, p := range r.Marks.Phrases {
		from := -1
		var held []float64
		end := func(at int) {
			if from >= 0 && float64(at-from) >= essLeastS*float64(r.RateHz) {
				e.spans = append(e.spans, span{from, at})
				for k, v := range held {
					sum[k] += v
				}
			}
			from, held = -1, nil
		}
		last := min(int(p.To), len(r.x)) - n
		at := int(p.From)
		for ; at < last; at += hop {
			for i := range x {
				x[i] = r.x[at+i] * window[i]
			}
			fft.Forward(bins, x)
			low, high := 0.0, 0.0
			for k, v := range bins {
				power[k] = real(v)*real(v) + imag(v)*imag(v)
				switch {
				case k >= bin(essLowHz):
					high += power[k]
				case k >= bin(150) && k < bin(essVowelsHz):
					low += power[k]
				}
			}
			if high <= low {
				end(at + n/2)
				continue
			}
			if from < 0 {
				from, held = at+n/2-hop/2, make([]float64, n/2+1)
			}
			for k, v := range power {
				held[k] += v
			}
		}
		end(at + n/2)
	}
	if len(e.spans) < essesNeeded {
		return nil
	}
	e.band(sum, r.RateHz)
	return &e
}

// band finds the edges in the esses' mean spectrum.
func (e *esses) band(power []float64, rateHz int) {
	bands := bandsAcross(essLowHz, min(essHighHz, 0.42*float64(rateHz)), 6)
	levels := bandsDB(power, rateHz, bands)
	top := 0
	for i, v := range levels {
		if v > levels[top] {
			top = i
		}
	}
	from, to := top, top
	for from > 0 && levels[from-1] > levels[top]-essEdgeDB {
		from--
	}
	for to < len(levels)-1 && levels[to+1] > levels[top]-essEdgeDB {
		to++
	}
	// A band under two thirds of an octave would let the ess out at its sides, one
	// much over an octave take the breath of the voice.
	for to-from < 3 {
		from, to = max(0, from-1), min(len(levels)-1, to+1)
	}
	for to-from > 6 {
		if levels[from] < levels[to] {
			from++
		} else {
			to--
		}
	}
	e.fromHz = 50 * math.Round(bands[from].Lower/50)
	e.toHz = min(50*math.Round(bands[to].Upper/50), 0.43*float64(rateHz))
}

// Bounds of what heard tells.
const (
	essHeardFromDB = -24.0
	essHeardToDB   = essHeardFromDB + 24
)

// heard is how loud each ess is for a de-esser of the band, dB against the running
// speech level: what all but a quarter of it stays under. It asks the stage
// itself, opened as far as it goes; esses that it spares are left out.
func (e *esses) heard(x []float64, rateHz int) (levels []float64, err error) {
	d, err := dynamics.NewDeEsser(dynamics.DeEsserSettings{FromHz: e.fromHz, ToHz: e.toHz, ThresholdOverSpeechDB: essHeardFromDB, MaxCutDB: essHeardToDB - essHeardFromDB, ReleaseMS: 1}, float64(rateHz))
	if err != nil {
		return nil, err
	}
	step := dsp.ControlStep(float64(rateHz))
	cuts := make([]float64, len(x)/step+1)
	engine := dsp.NewEngine(0, d)
	engine.OnQuantum(func(at dsp.Frames, _ int, gainsDB []float64) {
		for i, g := range gainsDB {
			if k := int(at)/step + i; at >= 0 && k < len(cuts) {
				cuts[k] = -g
			}
		}
	})
	engine.Whole(x)
	for _, s := range e.spans {
		level := share(cuts[s.from/step:min(len(cuts), s.to/step)], 0.75)
		if level > 0.5 {
			levels = append(levels, essHeardFromDB+level)
		}
	}
	// An f and a th are far softer, and none of them.
	loud := share(levels, 0.95)
	return slices.DeleteFunc(levels, func(v float64) bool { return v < loud-essSofterDB }), nil
}

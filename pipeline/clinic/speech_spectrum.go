package clinic

import (
	"math"
	"slices"

	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
)

// speechSize is the length of the segments that a voice's spectrum is averaged
// over: bins of 2.7 Hz at 44.1 kHz, a sixth octave of 80 Hz wide and narrower.
const speechSize = 16384

// powerSpeaking is the power spectrum of x while somebody speaks, by phrases;
// nil where nobody does for long enough.
func powerSpeaking(x []float64, phrases []meter.Phrase) []float64 {
	w, err := spectrum.NewWelch(speechSize)
	if err != nil {
		panic(err) // a power of two
	}
	for _, p := range phrases {
		w.Break()
		w.Write(x[max(0, int(p.From)):min(len(x), int(p.To))])
	}
	return w.Power()
}

// bandsDB are the levels of a power spectrum in bands, dB.
func bandsDB(power []float64, rateHz int, bands []spectrum.Band) []float64 {
	out := make([]float64, len(bands))
	for i, l := range spectrum.Levels(power, rateHz, bands) {
		out[i] = float64(l)
	}
	return out
}

// bandsAcross are bands of 1/n octave, n or so of them an octave, from one middle
// to another.
func bandsAcross(fromHz, toHz float64, n int) (all []spectrum.Band) {
	half := math.Exp2(1 / float64(2*n))
	for hz := fromHz; hz <= toHz; hz *= half * half {
		all = append(all, spectrum.Band{Lower: hz / half, Mid: hz, Upper: hz * half})
	}
	return all
}

// share is the level that so much of all lies under, 0 to 1; NaN of none.
func share(of []float64, part float64) float64 {
	if len(of) == 0 {
		return math.NaN()
	}
	sorted := slices.Sorted(slices.Values(of))
	return sorted[int(math.Round(part*float64(len(sorted)-1)))]
}

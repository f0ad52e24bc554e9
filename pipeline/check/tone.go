package check

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// Tone is judged in thirds of an octave, and in octaves: three thirds that agree
// say more than one, so that less is enough.
const (
	toneFromHz  = 90.0 // below, the voice's own pitch decides; above toneToHz the text's esses
	toneToHz    = 6300.0
	toneOctave  = 3    // thirds
	toneOctaves = 0.75 // of what a third of an octave may lie off, an octave may
)

// A tone is how speech lies beside other speech: in dB for each third of an
// octave from toneFromHz to toneToHz, less the middle of them all. The level that
// a spectrum is counted against moves with what is near the pitch, where most of a
// voice's power is, and so would hide a change there in all other bands.
type tone []float64

// toneBands are the thirds of an octave that a tone has.
func toneBands() (all []int) {
	for i, b := range spectrum.ThirdOctaves() {
		if b.Mid >= toneFromHz && b.Mid <= toneToHz {
			all = append(all, i)
		}
	}
	return all
}

// toneOf is NaN in bands that one of the two lacks.
func toneOf(is, was pipeline.Spectrum) (d tone) {
	for _, i := range toneBands() {
		d = append(d, third(is, i)-third(was, i))
	}
	middle := median(known(d))
	for i := range d {
		d[i] -= middle
	}
	return d
}

// over is the mean over so many neighbouring bands, from each that has them.
func (d tone) over(bands int) (out []float64) {
	for i := range len(d) - bands + 1 {
		sum := 0.0
		for _, v := range d[i : i+bands] {
			sum += v
		}
		out = append(out, sum/float64(bands))
	}
	return out
}

// A toneOff is where a tone lies furthest beyond what is allowed there.
type toneOff struct{ db, limit, hz float64 }

func (o toneOff) allowed() string { return fmt.Sprintf("±%.1f dB", o.limit) }

// off is the band or octave that lies furthest beyond what is allowed: least in
// a third of an octave, and more where others, the tones that are usual, lie far
// from their middle themselves.
func (d tone) off(others []tone, least float64) (off toneOff, ok bool) {
	mids, beyond := spectrum.ThirdOctaves()[toneBands()[0]:], 1.0
	for _, bands := range []int{1, toneOctave} {
		allowed := least
		if bands > 1 {
			allowed *= toneOctaves
		}
		var usual [][]float64
		for _, o := range others {
			usual = append(usual, o.over(bands))
		}
		for i, v := range d.over(bands) {
			limit := max(allowed, toneLimit(usual, i))
			if by := math.Abs(v) / limit; by > beyond {
				beyond, ok = by, true
				off = toneOff{v, limit, mids[i+bands/2].Mid}
			}
		}
	}
	return off, ok
}

// toneLimit is familySpread standard deviations: of the others' values in a band
// and in all bands, half of the variance each. Five values don't say how far they
// scatter; a hundred do, and don't mind if one of the others is odd.
func toneLimit(usual [][]float64, band int) float64 {
	var own []float64
	for _, u := range usual {
		own = append(own, u[band])
	}
	a, b := deviation(own), deviation(slices.Concat(usual...))
	return familySpread * math.Sqrt((float64(a*a)+float64(b*b))/2)
}

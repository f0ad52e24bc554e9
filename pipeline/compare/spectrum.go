package compare

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// BandChange is how much more of a sixth octave there is while speaking, beside
// how much more there is of all: a chain's effect on the sound and not on the level.
type BandChange struct {
	Hz float64 `json:"hz"` // its middle
	DB dsp.DB  `json:"db"`
}

// Where a voice is; the level's own change is the median over it.
const voiceFromHz, voiceToHz = 100.0, 8000.0

// Spectra is the change of every band that both spectra have; none without both.
func Spectra(was, is pipeline.Spectrum) []BandChange {
	bands := spectrum.SixthOctaves()
	if len(was) != len(bands) || len(is) != len(bands) {
		return nil
	}
	var out []BandChange
	var voice []float64
	for i, b := range bands {
		d := float64(is[i] - was[i])
		if math.IsNaN(d) || math.IsInf(d, 0) {
			continue
		}
		out = append(out, BandChange{Hz: math.Round(b.Mid), DB: dsp.DB(d)})
		if b.Mid >= voiceFromHz && b.Mid <= voiceToHz {
			voice = append(voice, d)
		}
	}
	if len(voice) == 0 {
		return nil
	}
	slices.Sort(voice)
	middle := voice[len(voice)/2]
	for i := range out {
		out[i].DB = dsp.DB(math.Round((float64(out[i].DB)-middle)*10) / 10)
	}
	return out
}

// Most is the band of a voice that rose most, where sign is 1, or fell most,
// where it is -1; zero where none did.
func Most(changes []BandChange, sign dsp.DB) (most BandChange) {
	for _, c := range changes {
		if c.Hz >= voiceFromHz && sign*c.DB > sign*most.DB {
			most = c
		}
	}
	return most
}

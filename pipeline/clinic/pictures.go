package clinic

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// waveColumns is how many columns the picture of a whole read has.
const waveColumns = 900

// Pictures is what a report draws of a read. Levels are as recorded.
type Pictures struct {
	Wave     [][2]float32      `json:"-"` // the lowest and highest of each column, full scale ±1
	Speaking pipeline.Spectrum `json:"-"` // sixth octaves, while somebody speaks; empty: too little
	RoomTone pipeline.Spectrum `json:"-"` // sixth octaves; empty: none
	Phrases  []dsp.DBFS        `json:"-"` // levels of the phrases, in order
}

// Pictures gathers them.
func (r *Read) Pictures() Pictures {
	p := Pictures{RoomTone: r.Profile.RoomTone}
	for _, phrase := range r.Marks.Phrases {
		p.Phrases = append(p.Phrases, phrase.Level)
	}
	n := min(waveColumns, len(r.x))
	for i := range n {
		low, high := math.Inf(1), math.Inf(-1)
		for _, v := range r.x[i*len(r.x)/n : (i+1)*len(r.x)/n] {
			low, high = min(low, v), max(high, v)
		}
		p.Wave = append(p.Wave, [2]float32{float32(low), float32(high)})
	}
	w, err := spectrum.NewWelch(1 << 13)
	if err != nil {
		return p
	}
	for _, phrase := range r.Marks.Phrases {
		w.Write(r.x[phrase.From:min(phrase.To, dsp.Frames(len(r.x)))])
		w.Break()
	}
	if w.Segments() > 0 {
		p.Speaking = pipeline.Spectrum(spectrum.Levels(w.Power(), r.RateHz, spectrum.SixthOctaves()))
	}
	return p
}

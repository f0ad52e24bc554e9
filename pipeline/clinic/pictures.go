package clinic

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/room"
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
	// Evidence of the booth's resonances, each kind a curve of points of
	// room.CourseHz, dB over the octave around; empty: none.
	InRoomTone, AfterWords, AtEveryPitch []float64 `json:"-"`
	// Waves are the standing waves between opposite walls by the form's measures.
	Waves []StandingWave `json:"-"`
}

// A StandingWave lies from the frequency that wall to wall gives to the one that
// panel to panel does.
type StandingWave struct {
	Side          string
	LowHz, HighHz float64
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
	p.InRoomTone, p.AfterWords, p.AtEveryPitch = overOctave(r.booth.tone), overOctave(r.booth.tails), overOctave(r.booth.still)
	for _, s := range r.booth.sides.all {
		for half := 1.0; half*r.booth.sides.c/2/s.long < room.HighestHz; half++ {
			p.Waves = append(p.Waves, StandingWave{s.name, half * r.booth.sides.c / 2 / s.long, half * r.booth.sides.c / 2 / s.short})
		}
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

// overOctave is a course less its median.
func overOctave(c room.Course) []float64 {
	out := make([]float64, 0, len(c))
	for i, m := range c.Median() {
		out = append(out, c[i]-m)
	}
	return out
}

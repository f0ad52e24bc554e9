package report

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline/clinic"
)

const (
	readWidth  = 500
	readLeft   = 8.0
	readRight  = 492.0
	readHeight = 96
	readMiddle = 44.0
	readReach  = 38.0
)

// signPicture is the picture of a sign: where in the spectrum it is, where in the
// read, or how the levels lie.
func signPicture(s clinic.Sign, r *clinic.Read, p clinic.Pictures) picture {
	switch {
	case s.Name == "level" || s.Name == "floor" && (s.LowHz == 0 || s.HighHz > 100*s.LowHz): // of no place in the spectrum
		return levelPicture(r, p)
	case s.Name == "dynamics":
		return phrasePicture(p)
	case s.Name == "resonance" && s.LowHz > 0:
		return resonancePicture(s, p)
	case s.LowHz > 0 && len(p.Speaking) > 0:
		return bandPicture(s, p)
	case len(s.Places) > 0:
		return placesPicture(s, r, p)
	case s.Remedy != clinic.Good && len(p.Speaking) > 0 && s.Unit == "dB":
		return bandPicture(s, p)
	}
	return picture{}
}

// bandPicture is the spectrum of voice and room tone, with the sign's band.
func bandPicture(s clinic.Sign, p clinic.Pictures) picture {
	pic := spectra(sprintf("spectrum while speaking and of the room tone; %s", s.Says),
		curve{class: "ca", name: "speaking", bands: p.Speaking}, curve{class: "cb", name: "room tone", bands: p.RoomTone})
	if s.LowHz <= 0 || len(pic.Shapes) == 0 {
		return pic
	}
	bands := spectrum.SixthOctaves()
	low, high := math.Log(bands[0].Lower), math.Log(bands[len(bands)-1].Upper)
	x := func(hz float64) float64 {
		return min(max(spectrumLeft+(spectrumRight-spectrumLeft)*(math.Log(hz)-low)/(high-low), spectrumLeft), spectrumRight)
	}
	pic.Shapes = append([]shape{signBand(s, x)}, pic.Shapes...)
	return pic
}

// signBand is a sign's band, which lies behind the curves of a spectrum; x is where a
// frequency is.
func signBand(s clinic.Sign, x func(hz float64) float64) shape {
	from, to := x(s.LowHz), x(max(s.HighHz, s.LowHz))
	if to-from < 3 {
		from, to = (from+to)/2-1.5, (from+to)/2+1.5
	}
	return shape{Class: "band", D: "M" + coordinate(from) + " " + coordinate(spectrumTop) + "H" + coordinate(to) + "V" + coordinate(spectrumBottom) + "H" + coordinate(from) + "z"}
}

// placesPicture is the whole read's wave, with the sign's places.
func placesPicture(s clinic.Sign, r *clinic.Read, p clinic.Pictures) picture {
	pic := picture{W: readWidth, H: readHeight, Label: sprintf("the read's wave, with %s marked", count(len(s.Places), "place"))}
	at := func(f dsp.Frames) float64 {
		return readLeft + (readRight-readLeft)*float64(f)/(r.SecondsS*float64(r.RateHz))
	}
	marks := ""
	for _, place := range s.Places {
		from, to := at(place.From), max(at(place.To), at(place.From)+1.5)
		marks += "M" + coordinate(from) + " 4H" + coordinate(to) + "V84H" + coordinate(from) + "z"
	}
	pic.path("band", marks)
	wave := ""
	for i, extent := range p.Wave {
		x := readLeft + (readRight-readLeft)*(float64(i)+0.5)/float64(len(p.Wave))
		wave += down(x, readMiddle-readReach*float64(extent[1]), readMiddle-readReach*float64(extent[0])+0.3)
	}
	pic.path("wave", wave)
	for _, t := range ticks(0, r.SecondsS, 8, 10, 20, 30, 60) {
		pic.text("t", readLeft+(readRight-readLeft)*t/r.SecondsS, readHeight-2, sprintf("%d:%02d", int(t)/60, int(t)%60))
	}
	return pic
}

// levelPicture is how room, words and peaks lie under full scale.
func levelPicture(r *clinic.Read, p clinic.Pictures) picture {
	const lowest = -96.0
	pic := picture{W: readWidth, H: 92, Label: "levels of the room tone, the softest and loudest phrases, the voice and the highest peak, dBFS"}
	x := func(db float64) float64 {
		return readLeft + 12 + (readRight-readLeft-24)*(max(db, lowest)-lowest)/-lowest
	}
	grid := across(x(lowest), x(0), 60)
	for db := -90.0; db <= 0; db += 10 {
		grid += down(x(db), 56, 64)
		pic.text("t", x(db), 78, minus(sprintf("%.0f", db)))
	}
	pic.path("f", grid)
	pic.text("k", x(lowest), 90, "dBFS")
	type mark struct {
		name string
		db   float64
	}
	marks := []mark{{"room tone", float64(r.Profile.Floor.Median)}, {"voice", float64(r.Profile.Levels.Speech)}, {"peak", float64(r.Profile.Levels.TruePeak)}}
	if len(p.Phrases) > 4 {
		sorted := slices.Sorted(slices.Values(p.Phrases))
		marks = append(marks, mark{"softest phrase", float64(sorted[0])}, mark{"loudest phrase", float64(sorted[len(sorted)-1])})
	}
	marks = slices.DeleteFunc(marks, func(m mark) bool { return math.IsNaN(m.db) || math.IsInf(m.db, 0) })
	slices.SortFunc(marks, func(a, b mark) int { return int(math.Copysign(1, a.db-b.db)) })
	row := func(i int) float64 { return 14 + 14*float64(i%3) }
	for i, m := range marks {
		pic.path("gm", down(x(m.db), row(i)+3, 60))
	}
	for i, m := range marks { // over the lines of others
		pic.text("t over", min(max(x(m.db), 40), readRight-40), row(i), m.name+" "+minus(sprintf("%.1f", m.db)))
	}
	return pic
}

// phrasePicture is how often phrases have which level.
func phrasePicture(p clinic.Pictures) picture {
	if len(p.Phrases) == 0 {
		return picture{}
	}
	const step, bottom, top = 2.0, 84.0, 10.0
	lowest, highest := math.Inf(1), math.Inf(-1)
	for _, v := range p.Phrases {
		lowest, highest = min(lowest, float64(v)), max(highest, float64(v))
	}
	from := step * math.Floor(lowest/step)
	counts := make([]int, int((highest-from)/step)+1)
	for _, v := range p.Phrases {
		counts[int((float64(v)-from)/step)]++
	}
	pic := picture{W: readWidth, H: 112, Label: sprintf("how many phrases have which level, from %.0f to %.0f dBFS", lowest, highest)}
	width := min(28, (readRight-readLeft)/float64(len(counts)))
	bars := ""
	for i, n := range counts {
		x := readLeft + float64(i)*width
		if i%2 == 0 {
			pic.text("t", x, bottom+14, minus(sprintf("%.0f", from+step*float64(i))))
		}
		if n > 0 {
			bars += "M" + coordinate(x+1) + " " + coordinate(bottom) + "V" + coordinate(bottom-(bottom-top)*float64(n)/float64(slices.Max(counts))) + "H" + coordinate(x+width-1) + "V" + coordinate(bottom) + "z"
		}
	}
	pic.path("dm", bars)
	pic.path("f", across(readLeft, readLeft+width*float64(len(counts)), bottom))
	pic.text("k", readLeft, bottom+27, "dBFS; as many phrases as a bar is high")
	return pic
}

// overview is the spectrum of the read as a whole.
func overview(p clinic.Pictures) picture {
	return spectra("spectrum while speaking, and of the room tone",
		curve{class: "ca", name: "speaking", bands: p.Speaking}, curve{class: "cb", name: "room tone", bands: p.RoomTone})
}

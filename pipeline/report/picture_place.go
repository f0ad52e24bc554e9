package report

import (
	"strings"

	"chapterhouse/pipeline/attention"
)

const (
	placeWidth, placeHeight = 200, 56
	placeBar                = 4.0 // beneath the wave
)

// twoSeconds is the wave around a place, over a bar where the place is. Its
// height is that of the highest peak, so that quiet places are seen too.
func twoSeconds(p attention.Place) picture {
	if len(p.Wave) == 0 {
		return picture{}
	}
	var most float32
	for _, e := range p.Wave {
		most = max(most, -e.Low, e.High)
	}
	pic := picture{W: placeWidth, H: placeHeight, Label: "two seconds of the recording around " + where(p)}
	perS := placeWidth / attention.WaveS
	from, to := p.Within()
	middle := (placeHeight - placeBar) / 2
	pic.path("ws", "M0 0H"+coordinate(placeWidth)+"V"+coordinate(placeHeight-placeBar)+"H0z")
	pic.path("v", across(0, placeWidth, middle))
	if most > 0 {
		var d strings.Builder
		wide := float64(placeWidth) / float64(len(p.Wave))
		y := func(v float32) string { return coordinate(middle - float64(v/most)*(middle-1)) }
		for k, e := range p.Wave {
			word := "L"
			if k == 0 {
				word = "M"
			}
			d.WriteString(word + coordinate((float64(k)+0.5)*wide) + " " + y(e.High))
		}
		for k := len(p.Wave) - 1; k >= 0; k-- {
			d.WriteString("L" + coordinate((float64(k)+0.5)*wide) + " " + y(p.Wave[k].Low))
		}
		d.WriteString("z")
		pic.path("dm", d.String())
	}
	end := max(to*perS, from*perS+2)
	pic.path("mb", "M"+coordinate(from*perS)+" "+coordinate(placeHeight-placeBar)+"H"+coordinate(end)+"V"+coordinate(placeHeight)+"H"+coordinate(from*perS)+"z")
	return pic
}

// where is a place in words: its time in the file, else in the source.
func where(p attention.Place) string {
	if p.InFile != "" {
		return p.InFile
	}
	return place(p.Finding)
}

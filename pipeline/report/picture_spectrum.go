package report

import (
	"math"

	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

const (
	spectrumWidth  = 500
	spectrumHeight = 262
	spectrumLeft   = 46.0
	spectrumRight  = 490.0
	spectrumTop    = 44.0
	spectrumBottom = 222.0
	mostDB         = 100.0 // from the highest line of the scale to the lowest
)

// A curve is one spectrum of a picture, with a gain that is known of it.
type curve struct {
	class, name string
	bands       pipeline.Spectrum
	addDB       float64
}

// spectra draws sixth octaves over a logarithmic axis, each curve in a line of
// its own kind, which the key above shows. Nothing where no curve has any.
func spectra(label string, curves ...curve) picture {
	p := picture{W: spectrumWidth, H: spectrumHeight, Label: label}
	bands := spectrum.SixthOctaves()
	highest, lowest := math.Inf(-1), math.Inf(1)
	var drawn []curve
	for _, c := range curves {
		if len(c.bands) != len(bands) {
			continue
		}
		heard := false
		for _, v := range c.bands {
			if x := float64(v) + c.addDB; !math.IsNaN(x) && !math.IsInf(x, 0) {
				highest, lowest, heard = max(highest, x), min(lowest, x), true
			}
		}
		if heard {
			drawn = append(drawn, c)
		}
	}
	if len(drawn) == 0 {
		return picture{}
	}
	top := math.Ceil(highest/10) * 10
	rangeDB := min(max(top-math.Floor(lowest/10)*10, 40), mostDB)
	low, high := math.Log(bands[0].Lower), math.Log(bands[len(bands)-1].Upper)
	x := func(hz float64) float64 {
		return spectrumLeft + (spectrumRight-spectrumLeft)*(math.Log(hz)-low)/(high-low)
	}
	y := func(db float64) float64 {
		return spectrumTop + (spectrumBottom-spectrumTop)*min(max((top-db)/rangeDB, 0), 1)
	}
	grid := ""
	for _, hz := range []float64{20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000} {
		at := min(max(x(hz), spectrumLeft), spectrumRight)
		grid += down(at, spectrumTop, spectrumBottom)
		name, class := sprintf("%g", hz), "t"
		if hz >= 1000 {
			name = sprintf("%gk", hz/1000)
		}
		if hz == 20000 {
			class, at = "e", at+8
		}
		p.text(class, at, spectrumBottom+14, name)
	}
	for i, db := 0, top; db >= top-rangeDB; i, db = i+1, db-10 {
		grid += across(spectrumLeft, spectrumRight, y(db))
		if i%2 == 0 {
			p.text("a", spectrumLeft-5, y(db)+4, minus(sprintf("%.0f", db)))
		}
	}
	p.path("v", grid)
	p.text("t", (spectrumLeft+spectrumRight)/2, spectrumBottom+32, "Hz, sixth octaves")
	p.text("k", 0, spectrumTop-8, "dBFS")
	keyX, keyY := spectrumLeft, 12.0
	for _, c := range drawn {
		d, pen := "", false
		for i, b := range bands {
			v := float64(c.bands[i]) + c.addDB
			if math.IsNaN(v) || math.IsInf(v, 0) || v < top-rangeDB {
				pen = false
				continue
			}
			if pen {
				d += "L"
			} else {
				d += "M"
			}
			d += coordinate(x(b.Mid)) + " " + coordinate(y(v))
			pen = true
		}
		p.path(c.class, d)
		width := 40 + 6.2*float64(len([]rune(c.name)))
		if keyX+width > spectrumRight+10 && keyX > spectrumLeft {
			keyX, keyY = spectrumLeft, keyY+15
		}
		p.path(c.class, across(keyX, keyX+26, keyY-4))
		p.text("s", keyX+32, keyY, c.name)
		keyX += width
	}
	return p
}

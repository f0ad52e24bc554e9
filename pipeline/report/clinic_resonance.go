package report

import (
	"math"

	"chapterhouse/dsp/room"
	"chapterhouse/pipeline/clinic"
)

// The picture of resonances: what each kind of evidence shows, in decibels.
const (
	ringTopDB    = 20.0
	ringBottomDB = -10.0
)

// resonancePicture is what each kind of evidence shows where a booth rings, with
// the sign's band, and the standing waves of the form's sides under it.
func resonancePicture(s clinic.Sign, p clinic.Pictures) picture {
	pic := picture{W: spectrumWidth, Label: sprintf("what stands over the octave around it in room tone, after words and at every pitch, %.0f to %.0f Hz; %s", room.LowestHz, room.HighestHz, s.Says)}
	low, high := math.Log(room.LowestHz), math.Log(room.HighestHz)
	x := func(hz float64) float64 {
		return min(max(spectrumLeft+(spectrumRight-spectrumLeft)*(math.Log(hz)-low)/(high-low), spectrumLeft), spectrumRight)
	}
	y := func(db float64) float64 {
		return spectrumTop + (spectrumBottom-spectrumTop)*min(max((ringTopDB-db)/(ringTopDB-ringBottomDB), 0), 1)
	}
	pic.Shapes = append(pic.Shapes, signBand(s, x))
	grid := ""
	for _, hz := range []float64{50, 60, 80, 100, 150, 200, 300, 400} {
		grid += down(x(hz), spectrumTop, spectrumBottom)
		pic.text("t", x(hz), spectrumBottom+14, sprintf("%g", hz))
	}
	for db := ringTopDB; db >= ringBottomDB; db -= 5 {
		grid += across(spectrumLeft, spectrumRight, y(db))
		if math.Mod(db, 10) == 0 {
			pic.text("a", spectrumLeft-5, y(db)+4, minus(sprintf("%.0f", db)))
		}
	}
	pic.path("v", grid)
	pic.text("k", 0, spectrumTop-8, "dB")
	keyX := spectrumLeft
	for _, c := range []struct {
		class, name string
		db          []float64
	}{{"ca", "room tone", p.InRoomTone}, {"cb", "after words", p.AfterWords}, {"ct", "at every pitch", p.AtEveryPitch}} {
		if len(c.db) == 0 {
			continue
		}
		d := ""
		for i, db := range c.db {
			if hz := room.CourseHz(i); hz >= room.LowestHz && hz <= room.HighestHz {
				d += coordinate(x(hz)) + " " + coordinate(y(db)) + "L"
			}
		}
		pic.path(c.class, "M"+d[:len(d)-1])
		pic.path(c.class, across(keyX, keyX+26, 8))
		pic.text("s", keyX+32, 12, c.name)
		keyX += 40 + 6.2*float64(len(c.name))
	}
	row, rows := spectrumBottom+14, map[string]float64{}
	for _, w := range p.Waves {
		if rows[w.Side] == 0 {
			row += 14
			rows[w.Side] = row
			pic.text("a", spectrumLeft-5, row, w.Side)
		}
		a, b := x(max(w.LowHz, room.LowestHz)), x(w.HighHz)
		if w.HighHz > room.LowestHz {
			pic.path("gm", across(a-1, max(b, a+1)+1, rows[w.Side]-4))
		}
	}
	axis := "Hz"
	if len(rows) > 0 {
		axis = "Hz; bars: standing waves between the walls, by the form's measures"
	}
	pic.text("t", (spectrumLeft+spectrumRight)/2, row+16, axis)
	pic.H = int(row) + 30
	return pic
}

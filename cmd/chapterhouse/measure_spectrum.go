package main

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
)

// InBand is a third octave of IEC 61260-1 while somebody speaks.
type InBand struct {
	Hz    float64  `json:"hz"`            // nominal
	Level dsp.DBFS `json:"level_dbfs"`    // plain RMS
	Over  *dsp.DB  `json:"over_usual_db"` // over usual speech; null: nothing is said of this band
}

const (
	// Levels are aligned by the middle band of these, 200 Hz to 8 kHz: below, men
	// and women differ by tens of dB, and above, microphones and files do.
	alignFirst, alignLast = 10, 26
	// farOff is what is told, our own: two voices of one room differ by up to 10 dB
	// in a third octave.
	farOff = 10.0
)

// besideSpeech is a spectrum in third octaves, beside usual speech of the same
// level in the middle band.
func besideSpeech(power []float64, rateHz int) []InBand {
	if power == nil {
		return nil
	}
	levels := spectrum.Levels(power, rateHz, spectrum.ThirdOctaves())
	usual := spectrum.Speech()
	half := float64(rateHz) / 2
	var all []InBand
	var over []float64
	for i, b := range spectrum.ThirdOctaves() {
		if b.Upper > half {
			break
		}
		all = append(all, InBand{Hz: spectrum.NominalHz(i), Level: dsp.DBFS(dsp.Round2(float64(levels[i])))})
		if i >= alignFirst && i <= alignLast {
			over = append(over, float64(levels[i])-usual[i-spectrum.SpeechFirst])
		}
	}
	if len(over) == 0 {
		return all
	}
	slices.Sort(over)
	middle := over[len(over)/2]
	if math.IsInf(middle, -1) {
		return all
	}
	for i := spectrum.SpeechFirst; i < len(all) && i-spectrum.SpeechFirst < len(usual); i++ {
		d := dsp.DB(dsp.Round2(float64(levels[i]) - usual[i-spectrum.SpeechFirst] - middle))
		all[i].Over = &d
	}
	return all
}

// yardstick says in words whether and where something is far from usual speech. Less below 200 Hz is a
// high voice, or a filter that most specs welcome, and nothing is said of it.
func yardstick(all []InBand) (value, words string) {
	if len(all) == 0 {
		return "not measurable", "nobody speaks for long enough"
	}
	side := func(b InBand) float64 { // +1: far more, −1: far less
		switch {
		case b.Over == nil:
			return 0
		case float64(*b.Over) >= farOff:
			return 1
		case float64(*b.Over) <= -farOff && b.Hz >= 200:
			return -1
		}
		return 0
	}
	var said []string
	for i := 0; i < len(all); {
		from, worst := i, i
		for i++; i < len(all) && side(all[i]) == side(all[from]); i++ {
			if side(all[i]) != 0 && math.Abs(float64(*all[i].Over)) > math.Abs(float64(*all[worst].Over)) {
				worst = i
			}
		}
		if s := side(all[from]); s != 0 {
			word := "more"
			if s < 0 {
				word = "less"
			}
			d := math.Abs(float64(*all[worst].Over))
			said = append(said, fmt.Sprintf("%.0f dB %s than usual speech around %s", d, word, hertz(all[worst].Hz)))
		}
	}
	if said == nil {
		return "as usual", fmt.Sprintf("no band is %.0f dB from usual speech", farOff)
	}
	return "unusual", strings.Join(said, "; ")
}

func hertz(hz float64) string {
	if hz >= 1000 {
		return fmt.Sprintf("%g kHz", hz/1000)
	}
	return fmt.Sprintf("%g Hz", hz)
}

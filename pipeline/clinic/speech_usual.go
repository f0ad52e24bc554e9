package clinic

import (
	"math"

	"chapterhouse/dsp/spectrum"
)

// usualFromHz is the middle of the lowest third octave of usualDB.
const usualFromHz = 100

// usualDB is how much speech usually has in each third octave from 100 Hz to
// 16 kHz, dB against all of it. Voices differ from it by some 4 dB, so that it
// says little of one voice: only what lies further off counts, and only in part.
func usualDB() []float64 {
	speech := spectrum.Speech()
	return speech[thirdAt(usualFromHz)-spectrum.SpeechFirst:]
}

// overUsual is how much more a voice has between two frequencies than voices
// usually have, dB of the mean of its third octaves against those from 250 to
// 4000 Hz.
func overUsual(thirds []float64, fromHz, toHz float64) float64 {
	mean := func(fromHz, toHz float64) float64 {
		sum, n := 0.0, 0.0
		for i, b := range spectrum.ThirdOctaves() {
			u := i - thirdAt(usualFromHz)
			if b.Mid < fromHz*0.98 || b.Mid > toHz*1.02 || u < 0 || u >= len(usualDB()) || math.IsInf(thirds[i], 0) || math.IsNaN(thirds[i]) {
				continue
			}
			sum += thirds[i] - usualDB()[u]
			n++
		}
		return sum / n
	}
	return mean(fromHz, toHz) - mean(250, 4000)
}

// thirdAt is the index of the third octave that a frequency lies in.
func thirdAt(hz float64) int {
	for i, b := range spectrum.ThirdOctaves() {
		if hz < b.Upper {
			return i
		}
	}
	return len(spectrum.ThirdOctaves()) - 1
}

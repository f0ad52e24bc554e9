package clinic

import (
	"math"

	"chapterhouse/dsp/spectrum"
)

// usualOver is how much of speech on average lies between two frequencies, dB.
func usualOver(fromHz, toHz float64) float64 {
	sum := 0.0
	for i, dB := range usualDB() {
		b := spectrum.ThirdOctaves()[thirdAt(usualFromHz)+i]
		share := math.Log(min(b.Upper, toHz)/max(b.Lower, fromHz)) / math.Log(b.Upper/b.Lower)
		sum += max(0, share) * math.Pow(10, dB/10)
	}
	return inDB(sum)
}

// against is how much more of one range of a spectrum there is against another
// than speech has on average, dB; false where the room tone hides either.
func (r *Read) against(power []float64, fromHz, toHz, refFromHz, refToHz float64) (float64, bool) {
	a, ok := r.heard.over(power, r.RateHz, fromHz, toHz)
	b, too := r.heard.over(power, r.RateHz, refFromHz, refToHz)
	return a - b - (usualOver(fromHz, toHz) - usualOver(refFromHz, refToHz)), ok && too
}

// hidden is a sign that the room tone keeps from being told.
func hidden(s Sign, what string) Sign {
	s.Remedy, s.Confidence, s.Unit = Unknown, Unsure, ""
	s.Says = what + " can't be told: the room tone is as loud as the voice there"
	return s
}

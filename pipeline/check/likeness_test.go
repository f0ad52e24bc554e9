package check

import (
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// A likeness is of what is spoken: a tone in a phrase shows in its third octave
// at its level against the speech (half a decibel for bands of few lines), one in a pause does not.
func TestLikeness(t *testing.T) {
	for _, rate := range []int{22050, 44100, 48000, 96000} {
		x := make([]float64, 4*rate)
		tone := func(fromS, hz, dbfs float64) {
			for i := range rate {
				x[int(fromS*float64(rate))+i] += math.Sqrt2 * math.Pow(10, dbfs/20) * math.Sin(2*math.Pi*hz*float64(i)/float64(rate))
			}
		}
		tone(1, 1000, -30)
		tone(1, 4000, -40)
		tone(3, 500, -20)
		second := func(s int) meter.Phrase {
			return meter.Phrase{From: dsp.Frames(s * rate), To: dsp.Frames((s + 1) * rate), Level: -24}
		}
		e := NewEars(nil, Part{RateHz: rate, Speech: -24, Floor: meter.Floor{Median: -70, Windows: 9}, Marks: pipeline.Marks{Phrases: []meter.Phrase{second(1)}}})
		e.Hear(x, nil)
		e.Heard()
		l := e.Likeness()
		if l.Speech != -24 || l.Floor != -70 || l.SNR != 46 {
			t.Errorf("%d Hz: levels %+v", rate, l)
		}
		for i, b := range spectrum.ThirdOctaves() {
			got := float64(l.Spectrum[i])
			switch {
			case b.Lower < 1000 && b.Upper > 1000 && math.Abs(got+6) > 0.5:
				t.Errorf("%d Hz: 1 kHz is %.2f dB, want -6", rate, got)
			case b.Lower < 4000 && b.Upper > 4000 && math.Abs(got+16) > 0.5:
				t.Errorf("%d Hz: 4 kHz is %.2f dB, want -16", rate, got)
			case b.Lower < 500 && b.Upper > 500 && got > -35:
				t.Errorf("%d Hz: 500 Hz is %.2f dB, which sounds in a pause alone", rate, got)
			}
		}
	}
}

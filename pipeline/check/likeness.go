package check

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// likeness gathers how a part sounds, for others to be held against. It hears
// what the checks hear.
type likeness struct {
	p      Part
	frame  int64 // spectra heard
	hop    dsp.Frames
	phrase int   // of the part's marks, the first that is not over
	bands  []int // third octave of each bin; -1: none
	power  []float64
	spoken int64
	pace   *meter.Pace
	reverb *meter.Reverb
}

func newLikeness(p Part) *likeness {
	n := SpectrumSize(p.RateHz)
	l := &likeness{p: p, hop: dsp.Frames((p.RateHz + 50) / 100), bands: make([]int, n/2+1), power: make([]float64, len(spectrum.ThirdOctaves())),
		pace: meter.NewPace(p.RateHz, n), reverb: meter.NewReverb(p.RateHz, n, p.RoomTone)}
	for k := range l.bands {
		l.bands[k] = -1
		hz := float64(k) * float64(p.RateHz) / float64(n)
		for i, b := range spectrum.ThirdOctaves() {
			if hz >= b.Lower && hz < b.Upper {
				l.bands[k] = i
			}
		}
	}
	return l
}

// HearSpectrum takes the next spectrum.
func (l *likeness) HearSpectrum(power []float64) {
	at := dsp.Frames(l.frame) * l.hop
	l.frame++
	l.reverb.Write(power)
	phrases := l.p.Marks.Phrases
	for l.phrase < len(phrases) && phrases[l.phrase].To <= at {
		l.phrase++
	}
	if l.phrase == len(phrases) || phrases[l.phrase].From > at {
		return
	}
	l.spoken++
	l.pace.Write(power)
	for k, v := range power {
		if i := l.bands[k]; i >= 0 {
			l.power[i] += v
		}
	}
}

// result is the part's likeness. A third octave narrower than the spectrum's
// lines, below some 200 Hz, counts those in it for its whole width.
func (l *likeness) result() pipeline.Likeness {
	out := pipeline.Likeness{Speech: l.p.Speech, Floor: l.p.Floor.Median}
	if l.p.Floor.Windows > 0 && !math.IsInf(float64(out.Floor), 0) && !math.IsInf(float64(out.Speech), 0) {
		out.SNR = dsp.DB(dsp.Round2(float64(out.Speech) - float64(out.Floor)))
	}
	if l.spoken == 0 || math.IsInf(float64(l.p.Speech), 0) {
		return out
	}
	room := l.reverb.Result()
	out.Pace, out.ReverbS, out.DirectDB = l.pace.PerSecond(), room.Seconds, room.DirectDB
	lines := make([]int, len(l.power))
	for _, i := range l.bands {
		if i >= 0 {
			lines[i]++
		}
	}
	width := float64(l.p.RateHz) / float64(2*(len(l.bands)-1))
	for i, b := range spectrum.ThirdOctaves() {
		level := dsp.DBFS(dsp.Silence)
		if lines[i] > 0 {
			mean := l.power[i] / float64(3*l.spoken) // a sine's mean square is spread over 1.5 lines of this window
			level = dsp.DBFS(dsp.Round2(decibels(mean*(b.Upper-b.Lower)/(width*float64(lines[i]))) - float64(l.p.Speech)))
		}
		out.Spectrum = append(out.Spectrum, level)
	}
	return out
}

package main

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline/codec"
)

// Speaking is how a file sounds while somebody speaks in it, of its first channel.
type Speaking struct {
	VU       VUReading `json:"vu"`
	SNR      dsp.DB    `json:"snr_db"`             // speech level over noise floor; NaN: no floor
	Spectrum []InBand  `json:"spectrum,omitempty"` // third octaves; empty: nobody speaks for long enough
}

// VUReading is what a volume indicator showed, in VU.
type VUReading struct {
	Highest dsp.DB   `json:"highest_vu"`
	Middle  dsp.DB   `json:"middle_vu"` // exceeded half of the time while speaking
	Zero    dsp.DBFS `json:"zero_vu_dbfs"`
}

// speakingSize is the segment of the spectrum: 3 Hz a line, for the lowest third
// octaves are 5 Hz wide.
const speakingSize = 1 << 14

// needleEveryS is how often the needle is looked at while somebody speaks.
const needleEveryS = 0.01

// whileSpeaking reads a file again, now that it is known when somebody speaks.
func whileSpeaking(path string, m Measured) (Speaking, error) {
	rate := m.Is.RateHz
	out := Speaking{SNR: dsp.DB(dsp.Round2(float64(m.Levels.Speech - m.Room.Floor.Median)))}
	if math.IsInf(float64(out.SNR), 0) {
		out.SNR = dsp.DB(dsp.Unmeasured) // silence has none
	}
	welch, err := spectrum.NewWelch(speakingSize)
	if err != nil {
		return out, err
	}
	var needle []float64
	vu, every := meter.NewVU(rate), max(1, dsp.FramesIn(needleEveryS, rate))
	phrases, at := m.Room.Phrases, dsp.Frames(0)
	_, err = eachBlock(path, func(_ codec.Info, ch [][]float64) {
		for x := ch[0]; len(x) > 0; {
			n := min(dsp.Frames(len(x)), every-at%every)
			for len(phrases) > 0 && phrases[0].To <= at {
				phrases = phrases[1:]
				welch.Break()
			}
			vu.Write(x[:n])
			if len(phrases) > 0 && phrases[0].From <= at {
				welch.Write(x[:n])
				needle = append(needle, vu.Needle())
			}
			x, at = x[n:], at+n
		}
	})
	if err != nil {
		return out, err
	}
	out.VU = VUReading{Highest: dsp.DB(dsp.Round2(float64(vu.Highest()))), Middle: dsp.DB(dsp.Unmeasured), Zero: dsp.DBFS(dsp.Round2(float64(meter.ZeroVU)))}
	if len(needle) > 0 {
		slices.Sort(needle)
		out.VU.Middle = dsp.DB(dsp.Round2(float64(meter.InVU(needle[len(needle)/2]))))
	}
	out.Spectrum = besideSpeech(welch.Power(), rate)
	return out, nil
}

// rows are the lines to print.
func (s Speaking) rows(which string, row func(what, value, note string)) {
	row("signal to noise", s.SNR.String(), "speech level over noise floor"+which)
	row("VU, highest", vuText(s.VU.Highest), fmt.Sprintf("IEC 60268-17%s; 0 VU = a sine of %v, its peaks at -20 (common practice)", which, s.VU.Zero))
	row("  while speaking", vuText(s.VU.Middle), "what half of the time is over")
	value, words := yardstick(s.Spectrum)
	row("spectrum", value, words+" (Byrne et al. 1994, third octaves while speaking: a gross yardstick, for voices differ)")
}

func vuText(v dsp.DB) string {
	switch {
	case math.IsNaN(float64(v)):
		return v.String()
	case math.IsInf(float64(v), -1):
		return "at rest"
	}
	return fmt.Sprintf("%+.1f VU", float64(v))
}

package main

import (
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
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

// A speakingMeter hears a file's first channel once it is known when somebody
// speaks.
type speakingMeter struct {
	rateHz  int
	snr     dsp.DB
	welch   *spectrum.Welch
	vu      *meter.VU
	every   dsp.Frames
	at      dsp.Frames
	phrases []meter.Phrase // that are not over
	needle  []float64
}

func newSpeakingMeter(m Measured) (*speakingMeter, error) {
	welch, err := spectrum.NewWelch(speakingSize)
	if err != nil {
		return nil, err
	}
	rate := m.Is.RateHz
	s := &speakingMeter{rateHz: rate, snr: dsp.DB(dsp.Round2(float64(m.Levels.Speech - m.Room.Floor.Median))), welch: welch,
		vu: meter.NewVU(rate), every: max(1, dsp.FramesIn(needleEveryS, rate)), phrases: m.Room.Phrases}
	if math.IsInf(float64(s.snr), 0) {
		s.snr = dsp.DB(dsp.Unmeasured) // silence has none
	}
	return s, nil
}

func (s *speakingMeter) write(x []float64) {
	for len(x) > 0 {
		n := min(dsp.Frames(len(x)), s.every-s.at%s.every)
		for len(s.phrases) > 0 && s.phrases[0].To <= s.at {
			s.phrases = s.phrases[1:]
			s.welch.Break()
		}
		s.vu.Write(x[:n])
		if len(s.phrases) > 0 && s.phrases[0].From <= s.at {
			s.welch.Write(x[:n])
			s.needle = append(s.needle, s.vu.Needle())
		}
		x, s.at = x[n:], s.at+n
	}
}

func (s *speakingMeter) result() Speaking {
	out := Speaking{SNR: s.snr, Spectrum: besideSpeech(s.welch.Power(), s.rateHz)}
	out.VU = VUReading{Highest: dsp.DB(dsp.Round2(float64(s.vu.Highest()))), Middle: dsp.DB(dsp.Unmeasured), Zero: dsp.DBFS(dsp.Round2(float64(meter.ZeroVU)))}
	if len(s.needle) > 0 {
		slices.Sort(s.needle)
		out.VU.Middle = dsp.DB(dsp.Round2(float64(meter.InVU(s.needle[len(s.needle)/2]))))
	}
	return out
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

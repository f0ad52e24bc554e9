package main

import (
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/level"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/resample"
	"chapterhouse/dsp/spectrum"
)

func levels() []subject {
	return []subject{{"level.Dither, 16 bits", func() []float64 {
		d := must(level.NewDither(16, level.SeedOf("00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff")))
		x := dsptest.Speechlike(4, 50_000, 44100)
		d.Process(x, 12_345)
		return x
	}}}
}

func meters() []subject {
	var list []subject
	for _, rate := range []int{44100, 96000} {
		list = append(list, subject{fmt.Sprintf("meter, %d Hz", rate), func() []float64 {
			var y []float64
			for _, q := range append(meter.KWeighting(float64(rate)), meter.AWeighting(float64(rate))...) {
				y = append(y, q.B0, q.B1, q.B2, q.A1, q.A2)
			}
			m := meter.New(rate, 1)
			x := dsptest.Speechlike(5, 12*rate, float64(rate))
			for len(x) > 0 {
				m.Write(x[:rate/2])
				x = x[rate/2:]
				v := m.Levels()
				y = append(y, float64(v.RMS), float64(v.SamplePeak), float64(v.TruePeak), float64(v.Integrated),
					float64(v.RangeLU), float64(v.MaxMomentary), float64(v.MaxShortTerm), float64(v.Speech),
					v.Activity, float64(v.DC), v.SumSquares, float64(v.GatedBlocks))
			}
			return y
		}}, subject{fmt.Sprintf("meter.Mains, %d Hz", rate), func() []float64 {
			m := meter.NewMains(rate)
			x := dsptest.Speechlike(7, 20*rate, float64(rate))
			for i := range x {
				// A buzz at 120 Hz and its multiples, in whole arithmetic.
				turn := float64(i*120%rate)/float64(rate) - 0.5
				x[i] += float64(0.02 * turn * (0.25 - float64(turn*turn)))
			}
			m.Write(x)
			var y []float64
			for _, p := range m.Result() {
				y = append(y, float64(p.At), p.Hz)
			}
			return append(y, float64(len(y)))
		}}, subject{fmt.Sprintf("meter.Room, %d Hz", rate), func() []float64 {
			m := meter.NewRoom(rate)
			m.Write(dsptest.Speechlike(6, 20*rate, float64(rate)))
			r := m.Result()
			y := []float64{float64(r.Bounds.From), float64(r.Bounds.To), float64(r.Floor.Median), float64(r.Floor.WorstTenth),
				float64(r.Floor.MedianA), float64(r.Floor.Windows), r.SpeechS, r.DigitalSilenceS}
			for _, w := range r.Tone {
				y = append(y, float64(w.From), float64(w.To))
			}
			for _, v := range r.ToneSpectrum {
				y = append(y, float64(v))
			}
			return y
		}})
	}
	return list
}

func resamplers() []subject {
	var list []subject
	for _, c := range [][2]int{{96000, 44100}, {44100, 48000}, {48000, 44100}} {
		list = append(list, subject{fmt.Sprintf("resample, %d to %d Hz", c[0], c[1]), func() []float64 {
			r := must(resample.New(c[0], c[1]))
			var y []float64
			emit := func(part []float64) { y = append(y, part...) }
			r.Write(dsptest.Speechlike(7, c[0], float64(c[0])), emit)
			r.Close(emit)
			return y
		}})
	}
	return list
}

func spectra() []subject {
	return []subject{{"spectrum.Welch and Levels", func() []float64 {
		w := must(spectrum.NewWelch(4096))
		w.Write(dsptest.Speechlike(8, 200_000, 44100))
		y := append([]float64(nil), w.Power()...)
		for _, v := range spectrum.Levels(y, 44100, spectrum.SixthOctaves()) {
			y = append(y, float64(v))
		}
		return y
	}}, {"dsp.Round2", func() []float64 {
		x := dsptest.Noise(9, 1000)
		for i := range x {
			x[i] = dsp.Round2(x[i])
		}
		return x
	}}}
}

package main

import (
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// arithmetic is the functions that coefficients are made of.
func arithmetic() []subject {
	over := func(name string, f func(float64) float64, low, high float64) subject {
		return subject{"kernel." + name, func() []float64 {
			y := dsptest.Noise(9, 200_000)
			for i, v := range y {
				y[i] = f(low + float64((high-low)*(v+1)/2))
			}
			return y
		}}
	}
	blockwise := func(name string, f func(dst, src []float64), low, high float64) subject {
		s := over(name, func(x float64) float64 { return x }, low, high)
		return subject{s.name, func() []float64 {
			y := s.compute()
			f(y, y)
			return y
		}}
	}
	return []subject{
		over("Sin", kernel.Sin, -5000, 5000),
		over("Cos", kernel.Cos, -5000, 5000),
		over("Tan", kernel.Tan, -1.5, 1.5),
		over("Exp", kernel.Exp, -50, 50),
		over("Log", kernel.Log, 1e-9, 20),
		over("Sinh", kernel.Sinh, -5, 5),
		over("Cosh", kernel.Cosh, -5, 5),
		over("Tanh", kernel.Tanh, -5, 5),
		over("Asinh", kernel.Asinh, -5, 5),
		over("FromDB", kernel.FromDB, -120, 24),
		over("DB", kernel.DB, 1e-9, 2),
		over("Pow", func(x float64) float64 { return kernel.Pow(x, 3.7) }, 0, 10),
		over("Atan2", func(x float64) float64 { return kernel.Atan2(x, 0.3-x) }, -1, 1),
		over("Sinc", kernel.Sinc, -40, 40),
		over("BesselI0", kernel.BesselI0, 0, 20),
		blockwise("AmplitudesToDB", kernel.AmplitudesToDB, 0, 1),
		blockwise("PowersToDB", kernel.PowersToDB, 0, 1),
		blockwise("DBToAmplitudes", kernel.DBToAmplitudes, -140, 24),
		{"dsptest.Noise", func() []float64 { return dsptest.Noise(1, 50_000) }},
		{"dsptest.Speechlike", func() []float64 { return dsptest.Speechlike(1, 100_000, 44100) }},
	}
}

// filtered is a processor from sections.
func filtered(sections []kernel.Biquad, err error) func() (dsp.Processor, error) {
	return func() (dsp.Processor, error) { return filter.New(sections), err }
}

func filters() []subject {
	var list []subject
	for _, rate := range []float64{44100, 96000} {
		list = append(list,
			stage("filter.Highpass", rate, filtered(filter.Highpass(65, 18, rate))),
			stage("filter.Lowpass", rate, filtered(filter.Lowpass(14000, 48, rate))),
			stage("filter.Bell", rate, filtered(filter.Bell(178, -3.5, 3, rate))),
			stage("filter.LowShelf", rate, filtered(filter.LowShelf(120, 2.5, 0.8, rate))),
			stage("filter.HighShelf", rate, filtered(filter.HighShelf(10000, 1, 1, rate))),
			stage("filter.Notch", rate, filtered(filter.Notch(50, 30, rate))),
			stage("filter.Bandpass", rate, filtered(filter.Bandpass(6500, 2, rate))),
			stage("filter.Plateau", rate, filtered(filter.Plateau(560, 780, -3, rate))),
			stage("filter.Crossover", rate, func() (dsp.Processor, error) { return newSplitter(rate) }),
			subject{fmt.Sprintf("filter.Crossover.BandGainDB, %g Hz", rate), func() []float64 {
				c := must(filter.NewCrossover([]float64{160, 1800, 6000}, rate))
				var y []float64
				for hz := 20.0; hz < rate/2; hz *= 1.1 {
					for band := range 4 {
						y = append(y, c.BandGainDB(band, hz))
					}
				}
				return y
			}})
	}
	return list
}

// splitter adds four bands with other gains, so that each shows.
type splitter struct {
	*filter.Crossover
	bands [][]float64
}

func newSplitter(rateHz float64) (dsp.Processor, error) {
	c, err := filter.NewCrossover([]float64{160, 1800, 6000}, rateHz)
	s := &splitter{Crossover: c}
	for range 4 {
		s.bands = append(s.bands, make([]float64, dsp.Quantum))
	}
	return s, err
}

func (s *splitter) Latency() int { return 0 }
func (s *splitter) Process(block []float64) {
	s.Split(block, s.bands)
	for i := range block {
		block[i] = (s.bands[0][i] - s.bands[1][i]) + (s.bands[2][i] - s.bands[3][i])
	}
}

package filter_test

import (
	"math"
	"testing"

	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
)

// Whatever the parameters: a fault, or sections that are finite and stable.
func FuzzDesigns(f *testing.F) {
	f.Add(1000.0, 2000.0, -3.0, 1.0, 12, 44100.0)
	f.Add(10.0, 11.0, 18.0, 40.0, 48, 384000.0)
	f.Add(10.0, 3600.0, -18.0, 0.1, 42, 8000.0)
	f.Add(19845.0, 19845.0, 24.0, 1.0, 6, 44100.0)
	f.Add(math.Inf(1), math.NaN(), math.Inf(-1), 0.0, -6, 0.0)
	f.Fuzz(func(t *testing.T, hz, toHz, gain, q float64, slope int, rateHz float64) {
		stable := func(name string, sections []kernel.Biquad, err error) {
			if err != nil && sections != nil {
				t.Errorf("%s: sections beside the fault %v", name, err)
			}
			for _, s := range sections {
				for _, v := range []float64{s.B0, s.B1, s.B2, s.A1, s.A2} {
					if math.IsNaN(v) || math.IsInf(v, 0) {
						t.Fatalf("%s: section %v", name, s)
					}
				}
				if !(math.Abs(s.A2) < 1 && math.Abs(s.A1) < 1+s.A2) {
					t.Fatalf("%s: unstable section %v", name, s)
				}
			}
			if err == nil && filter.SettleFrames(sections) < 0 {
				t.Errorf("%s: %d frames to settle", name, filter.SettleFrames(sections))
			}
		}
		for _, d := range []struct {
			name   string
			design func() ([]kernel.Biquad, error)
		}{
			{"highpass", func() ([]kernel.Biquad, error) { return filter.Highpass(hz, slope, rateHz) }},
			{"lowpass", func() ([]kernel.Biquad, error) { return filter.Lowpass(hz, slope, rateHz) }},
			{"bell", func() ([]kernel.Biquad, error) { return filter.Bell(hz, gain, q, rateHz) }},
			{"low shelf", func() ([]kernel.Biquad, error) { return filter.LowShelf(hz, gain, q, rateHz) }},
			{"high shelf", func() ([]kernel.Biquad, error) { return filter.HighShelf(hz, gain, q, rateHz) }},
			{"notch", func() ([]kernel.Biquad, error) { return filter.Notch(hz, q, rateHz) }},
			{"bandpass", func() ([]kernel.Biquad, error) { return filter.Bandpass(hz, q, rateHz) }},
			{"plateau", func() ([]kernel.Biquad, error) { return filter.Plateau(hz, toHz, gain, rateHz) }},
		} {
			sections, err := d.design()
			stable(d.name, sections, err)
		}
	})
}

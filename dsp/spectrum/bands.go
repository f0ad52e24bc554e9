package spectrum

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
)

// A Band is one fractional-octave band, all in Hz.
type Band struct{ Lower, Mid, Upper float64 }

// ThirdOctaves are the 31 bands with nominal mid frequencies from 20 Hz to
// 20 kHz, at the exact base-10 frequencies of IEC 61260-1: 1000·G^(x/3), edges
// G^(±1/6) of it, G = 10^(3/10).
func ThirdOctaves() []Band {
	bands := make([]Band, 0, 31)
	for x := -17; x <= 13; x++ {
		bands = append(bands, bandAt(2*x, 3))
	}
	return bands
}

// NominalHz is what the i-th of the third octaves is called (IEC 61260-1, annex E).
func NominalHz(i int) float64 {
	return [31]float64{
		20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000,
		1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000,
	}[i]
}

// SixthOctaves are the 60 bands that fill the range from 20 Hz to 20 kHz
// (exactly 19.95 Hz to 19.95 kHz), at the exact base-10 frequencies of
// IEC 61260-1: 1000·G^((2x+1)/12), edges G^(±1/12) of it, G = 10^(3/10).
func SixthOctaves() []Band {
	bands := make([]Band, 0, 60)
	for x := -34; x <= 25; x++ {
		bands = append(bands, bandAt(2*x+1, 6))
	}
	return bands
}

// bandAt is the band at half steps of 1/(2b) octave from 1 kHz, 1/b octave wide.
func bandAt(halfSteps, b int) Band {
	at := func(halfSteps int) float64 {
		// G^(h/2b) = 10^(3h/20b)
		return 1000 * kernel.Pow(10, float64(3*halfSteps)/float64(20*b))
	}
	return Band{Lower: at(halfSteps - 1), Mid: at(halfSteps), Upper: at(halfSteps + 1)}
}

// Levels integrates a one-sided power spectrum of n/2+1 bins, as Welch.Power
// gives it, into the level of every band, plain RMS. A bin holds its power evenly
// from half a bin below to half a bin above its frequency, and a band takes its
// share of the bins at its edges. Bands of which nothing lies below half the
// rate are −Inf; all are NaN when power is nil, for nothing was measured.
//
// A band narrower than about three bins (3·rate/n) shares its power with its
// neighbours through the window. Levels panics when power has one or two bins,
// or the rate is not positive.
func Levels(power []float64, rateHz int, bands []Band) []dsp.DBFS {
	levels := make([]dsp.DBFS, len(bands))
	if power == nil {
		for i := range levels {
			levels[i] = dsp.DBFS(dsp.Unmeasured)
		}
		return levels
	}
	if len(power) < MinSize/2+1 || rateHz <= 0 {
		panic(fmt.Sprintf("spectrum: levels of %d bins at %d Hz", len(power), rateHz))
	}
	width := float64(rateHz) / float64(2*(len(power)-1))
	for i, b := range bands {
		levels[i] = dsp.DBFS(kernel.PowerDB(between(power, b.Lower/width, b.Upper/width)))
	}
	return levels
}

// between is the power from one frequency to another, both in bins.
func between(power []float64, lower, upper float64) float64 {
	last := float64(len(power) - 1)
	lower, upper = math.Max(lower, 0), math.Min(upper, last)
	if lower >= upper {
		return 0
	}
	var sum float64
	for k := int(math.Floor(lower + 0.5)); k < len(power); k++ {
		// The first and the last bin reach to one side only.
		from, to := math.Max(float64(k)-0.5, 0), math.Min(float64(k)+0.5, last)
		if from >= upper {
			break
		}
		share := (math.Min(to, upper) - math.Max(from, lower)) / (to - from)
		sum += float64(power[k] * share)
	}
	return sum
}

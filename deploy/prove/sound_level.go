package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"

	"chapterhouse/dsp/level"
	"chapterhouse/dsp/spectrum"
)

const (
	gainLimitDB      = 1e-9
	ditherLimitDB    = 0.1
	ditherOverDB     = 0.6 // by chance over noise from five bins
	ditherTestHz     = 997
	ditherTestPoints = 1 << 19
)

// gainRows measures gain and dither.
func gainRows(_ context.Context, s *site, t *table) error {
	const rate = 44100
	random := rand.New(rand.NewPCG(s.seed, 7))
	x := whiteNoise(s.seed, -1, rate)
	worst := 0.0
	for _, gainDB := range []float64{-24, -6.0206, -0.1, 0.1, 3, 24} {
		ps, err := staged(fmt.Sprintf("  - gain: {gain_db: %g}\n", gainDB), rate, -80)
		if err != nil {
			return err
		}
		worst = max(worst, math.Abs(rmsDB(cutAtRandom(ps, x, random))-rmsDB(x)-gainDB))
	}
	t.atMost("gain, off the gain asked for, -24 to 24 dB", worst, gainLimitDB, "%.1g dB", "")

	// dithered is a tone at a number of bits, and the error made.
	dithered := func(bits int, dbfs float64, n int) (y, e []float64, err error) {
		d, err := level.NewDither(bits, level.SeedOf(fmt.Sprintf("sound %d", s.seed)))
		if err != nil {
			return nil, nil, err
		}
		x := sineWave(ditherTestHz, dbfs, rate, n)
		y = append([]float64{}, x...)
		d.Process(y, 0)
		e = make([]float64, n)
		for i := range e {
			e[i] = y[i] - x[i]
		}
		return y, e, nil
	}
	rows, err := s.published("dither_noise.csv")
	if err != nil {
		return err
	}
	tabled := 0
	for _, row := range rows {
		if row["dither"] != "tpdf 2 LSB pp" {
			continue
		}
		tabled++
		_, e, err := dithered(int(cellValue(row["bits"])), -20, ditherTestPoints)
		if err != nil {
			return err
		}
		got := rmsDB(e)
		t.hold(fmt.Sprintf("dither, noise at %s bits", row["bits"]), fmt.Sprintf("%.2f dBFS", got),
			fmt.Sprintf("%s ±%g dB", row["rms_db_plain"], ditherLimitDB), math.Abs(got-cellValue(row["rms_db_plain"])) <= ditherLimitDB)
	}
	if tabled != 3 {
		return fmt.Errorf("the table of dither has %d rows of TPDF, want 3", tabled)
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, dbfs := range []float64{-1, -6, -20, -40, -60, -80, -90, -96, -100, -105, -110} {
		_, e, err := dithered(16, dbfs, ditherTestPoints)
		if err != nil {
			return err
		}
		low, high = min(low, rmsDB(e)), max(high, rmsDB(e))
	}
	t.atMost("dither, noise power between a tone of -110 and one of -1 dBFS", high-low, ditherLimitDB, "%.3f dB", "")
	y, _, err := dithered(16, -100, 60*rate)
	if err != nil {
		return err
	}
	over, err := harmonicsOver(y, rate)
	if err != nil {
		return err
	}
	t.atMost("dither, harmonics 2 to 20 of 997 Hz at -100 dBFS over the noise", over, ditherOverDB, "%.2f dB", "")
	t.note("Dither: TPDF of 2 LSB; its second moment is q²/4 whatever the signal (Lipshitz, Wannamaker and Vanderkooy, JAES 40(5), 1992).")
	return nil
}

// harmonicsOver is by how much the highest of the harmonics 2 to 20 stands over
// the noise beside it, in dB.
func harmonicsOver(x []float64, rate int) (float64, error) {
	const size = 16384
	w, err := spectrum.NewWelch(size)
	if err != nil {
		return 0, err
	}
	w.Write(x)
	p := w.Power()
	worst := math.Inf(-1)
	for h := 2; h <= 20; h++ {
		k := int(math.Round(ditherTestHz * float64(h) * size / float64(rate)))
		var at, beside float64
		for i := -2; i <= 2; i++ {
			at += p[k+i] / 5
		}
		for i := 10; i < 60; i++ {
			beside += (p[k-i] + p[k+i]) / 100
		}
		worst = max(worst, 10*math.Log10(at/beside))
	}
	return worst, nil
}

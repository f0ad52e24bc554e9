package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
)

const (
	harmonicLimitDB = 0.5
	aliasLimitDBFS  = -90
)

// harmonicsRows measures the stage's harmonics at the speech level and what folds
// back at its largest drive.
func harmonicsRows(ctx context.Context, s *site, t *table) error {
	random := rand.New(rand.NewPCG(s.seed, 6))
	atReference := speechDBFS + inDB(math.Sqrt2)
	// through is one second of a sine through the stage, in which it holds whole
	// periods, away from the end where it is cut off.
	through := func(stage string, hz, peakDBFS, rate float64) ([]float64, error) {
		ps, err := staged("  - harmonics: {"+stage+"}\n", rate, -80)
		if err != nil {
			return nil, err
		}
		y := cutAtRandom(ps, sineWave(hz, peakDBFS, rate, int(2.2*rate)), random)
		end := len(y) - 2000
		return y[end-int(rate) : end], nil
	}
	for _, over := range []float64{0, 15} {
		worst, points := 0.0, 0
		for _, rate := range []float64{44100, 48000, 96000} {
			for _, asked := range [][2]float64{{-60, -60}, {-40, -50}, {-30, -34}, {-20, -20}} {
				for _, hz := range []float64{100, 220, 997, 3001, 4999} {
					y, err := through(fmt.Sprintf("second_db: %g, third_db: %g", asked[0], asked[1]), hz, atReference+over, rate)
					if err != nil {
						return err
					}
					first := takeSine(y, hz, rate)
					for k, want := range asked {
						points++
						worst = max(worst, math.Abs(inDB(takeSine(y, float64(k+2)*hz, rate)/first)-want))
					}
				}
			}
		}
		what := "harmonics, off the level asked for, sine at the speech level"
		if over > 0 {
			what = fmt.Sprintf("harmonics, off the level asked for, sine %g dB over it", over)
		}
		t.atMost(what, worst, harmonicLimitDB, "%.3f dB", fmt.Sprintf("worst of %d", points))
	}
	const hardest = "second_db: -20, third_db: -20"
	type tone struct{ hz, peak float64 }
	sweep := []tone{}
	for hz := 100.0; hz <= 8001; hz *= math.Pow(80, 1./24) {
		sweep = append(sweep, tone{math.Round(hz), -6})
	}
	for _, rate := range []float64{44100, 48000} {
		for _, group := range []struct {
			name  string
			tones []tone
		}{
			{"5 kHz at -3 dBFS", []tone{{5000, -3}}},
			{"9 kHz at -3 dBFS", []tone{{9000, -3}}},
			{"0.1 to 8 kHz at -6 dBFS", sweep},
		} {
			worst, at, second, third := math.Inf(-1), 0.0, 0.0, 0.0
			for _, c := range group.tones {
				if err := ctx.Err(); err != nil {
					return err
				}
				y, err := through(hardest, c.hz, c.peak, rate)
				if err != nil {
					return err
				}
				first := takeSine(y, c.hz, rate)
				harmonic := [4]float64{2: math.Inf(-1), 3: math.Inf(-1)}
				for k := 2; k <= 3 && float64(k)*c.hz < rate/2; k++ {
					harmonic[k] = inDB(takeSine(y, float64(k)*c.hz, rate) / first)
				}
				if rest := rmsDB(y) + inDB(math.Sqrt2); rest > worst {
					worst, at, second, third = rest, c.hz, harmonic[2], harmonic[3]
				}
			}
			more := fmt.Sprintf("at %.0f Hz; harmonics there %.1f", at, second)
			if !math.IsInf(third, -1) {
				more += fmt.Sprintf(" and %.1f dB", third)
			} else {
				more += " dB and above half the rate"
			}
			t.atMost(fmt.Sprintf("harmonics, folded back, %s, rate %.0f", group.name, rate), worst, aliasLimitDBFS, "%.1f dBFS", more)
		}
	}
	ps, err := staged("  - harmonics: {"+hardest+"}\n", 44100, -80)
	if err != nil {
		return err
	}
	x := sineWave(180, -40, 44100, 3*44100)
	for i := 44100; i < 2*44100; i++ { // bursts in
		x[i] *= 90
	}
	y := cutAtRandom(ps, x, random)
	peakIn, peakOut, constant := 0.0, 0.0, 0.0
	for i := range x {
		peakIn, peakOut = max(peakIn, math.Abs(x[i])), max(peakOut, math.Abs(y[i]))
	}
	const periods = 80 * 245 // of 180 Hz
	for _, v := range y[2*44100-periods-100 : 2*44100-100] {
		constant += v / periods
	}
	t.atMost("harmonics, highest peak of a shout 22 dB over the speech level", inDB(peakOut/peakIn), inDB(1.6), "%+.1f dB", "against the shout itself")
	t.atMost("harmonics, a constant left in the shout", inDB(math.Abs(constant)), -90, "%.1f dBFS", "")
	t.note("Harmonics: folded back is all that is left of one second when the sine and its harmonics below half the rate are taken out, as the")
	t.note("peak of one sine, both harmonics at -20 dB, the most that the stage does. Over the speech level harmonics keep their distance.")
	return nil
}

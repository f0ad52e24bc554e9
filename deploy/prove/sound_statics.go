package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dynamics"
)

const staticLimitDB = 0.05

// staticRows holds compressor and expander against the published static curve:
// steady sines through the registered stages.
func staticRows(ctx context.Context, s *site, t *table) error {
	rows, err := s.published("dynamics_static.csv")
	if err != nil {
		return err
	}
	const rate = 44100
	random := rand.New(rand.NewPCG(s.seed, 5))
	var names []string
	worst, count := map[string]float64{}, map[string]int{}
	for _, row := range rows {
		if err := ctx.Err(); err != nil {
			return err
		}
		kind, threshold, in, want := row["kind"], cellValue(row["threshold_db"]), cellValue(row["in_db"]), cellValue(row["gain_db"])
		for _, detector := range []string{"peak", "rms"} {
			name := fmt.Sprintf("%s, threshold %s, %s:1, knee %s", strings.ReplaceAll(kind, "_", " "), row["threshold_db"], row["ratio"], row["knee_db"])
			peak := in // of the sine
			if kind == "compressor" {
				name += ", " + detector
				if detector == "rms" {
					peak += inDB(math.Sqrt2)
				}
			} else {
				if detector == "peak" {
					continue // an expander's is RMS
				}
				peak += inDB(math.Sqrt2)
				name += ", range " + row["range_db"]
			}
			ps, err := curved(row, threshold, detector, rate)
			if err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			x := sineWave(997, peak, rate, 3*rate)
			y := cutAtRandom(ps, x, random)
			gain := rmsDB(y[2*rate:]) - rmsDB(x[2*rate:])
			if count[name] == 0 {
				names = append(names, name)
			}
			count[name]++
			worst[name] = max(worst[name], math.Abs(gain-want))
		}
	}
	for _, name := range names {
		t.atMost("static curve, "+name, worst[name], staticLimitDB, "%.3f dB", fmt.Sprintf("worst of %d levels", count[name]))
	}
	t.note("Static curves: sines of 997 Hz for 3 s, gain of the last second against Giannoulis, Massberg and Reiss 2012. A ratio of inf is beyond")
	t.note("the stage's range and goes through package dsp/dynamics.")
	return nil
}

// curved is the processor of a row.
func curved(row map[string]string, thresholdDB float64, detector string, rateHz float64) ([]dsp.Processor, error) {
	knee, ratio := row["knee_db"], row["ratio"]
	if row["kind"] == "downward_expander" {
		const over = 12
		return staged(fmt.Sprintf("  - expander: {knee_db: %s, attack_ms: 5, release_ms: 50, bands: [{over_room_tone_db: %d, ratio: %s, range_db: %g}]}\n",
			knee, over, ratio, -cellValue(row["range_db"])), rateHz, thresholdDB-over)
	}
	if ratio == "inf" {
		d := dynamics.DetectorPeak
		if detector == "rms" {
			d = dynamics.DetectorRMS
		}
		c, err := dynamics.NewCompressor(dynamics.CompressorSettings{ThresholdDBFS: thresholdDB, Ratio: math.Inf(1), KneeDB: cellValue(knee), AttackMS: 5, ReleaseMS: 50, Detector: d}, rateHz)
		return []dsp.Processor{c}, err
	}
	return staged(fmt.Sprintf("  - compressor: {threshold_over_speech_db: %g, ratio: %s, knee_db: %s, attack_ms: 5, release_ms: 50, detector: %s}\n",
		thresholdDB-speechDBFS, ratio, knee, detector), rateHz, -80)
}

package main

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"

	"chapterhouse/testdata/voices/exact"
)

const (
	meterRounds  = 5
	meterMinutes = 10
	meterRateHz  = 44100
	// How many times faster than libebur128 our meters are.
	metersLeast, metersAim = 4.0, 8.0
)

// A meterRound is processor times of the same samples through both, seconds.
type meterRound struct{ ours, theirs float64 }

// speedOfMeters has our meters and libebur128 read the same samples in turns:
// integrated loudness, range and true peak.
func speedOfMeters(ctx context.Context, s *site, t *table) error {
	if err := need("ffmpeg", "gcc"); err != nil {
		return err
	}
	theirs, err := s.buildEBUR128(ctx)
	if err != nil {
		return err
	}
	ours, err := s.build(ctx, "./deploy/speed/meters")
	if err != nil {
		return err
	}
	voices, err := s.build(ctx, "./testdata/voices")
	if err != nil {
		return err
	}
	recording, speech, noise := s.path("meters.wav"), s.path("meters.raw"), s.path("noise.raw")
	s.say("narrating %d minutes", meterMinutes)
	args := append([]string{"-minutes", fmt.Sprint(meterMinutes), "-seed", fmt.Sprint(s.seed), "-rate", strconv.Itoa(meterRateHz), "-out", recording}, voiceArgs...)
	if _, err := call(ctx, nil, voices, args...); err != nil {
		return err
	}
	if err := toRaw(ctx, recording, speech); err != nil {
		return err
	}
	if err := writeNoise(noise, s.seed, 60*meterRateHz); err != nil {
		return err
	}
	for _, c := range []struct {
		what, raw string
		held      bool
	}{
		{fmt.Sprintf("meters, %d minutes of narration", meterMinutes), speech, true},
		{"meters, their worst case: a minute of steady white noise", noise, false},
	} {
		var rounds []meterRound
		for i := range meterRounds {
			s.say("%s: round %d of %d", c.what, i+1, meterRounds)
			a, errA := readMeters(ctx, ours, meterRateHz, 1, c.raw)
			b, errB := readMeters(ctx, theirs, meterRateHz, 1, c.raw)
			if err := firstError(errA, errB); err != nil {
				return err
			}
			if d := distance(a.loudness, b.loudness); d > ebur128LimitLU {
				return fmt.Errorf("%s: %.3f and %.3f LUFS are not the same measure", c.what, a.loudness, b.loudness)
			}
			rounds = append(rounds, meterRound{a.seconds, b.seconds})
		}
		fillMeters(t, c.what, rounds, c.held)
	}
	t.note("Meters: integrated loudness, loudness range and true peak (ours at 8 times the rate, libebur128's at 4), one channel,")
	t.note("processor time in one thread, in turns, reading the samples not counted.")
	return nil
}

func fillMeters(t *table, what string, rounds []meterRound, held bool) {
	if len(rounds) == 0 {
		return
	}
	var all []float64
	for _, r := range rounds {
		all = append(all, r.theirs/r.ours)
	}
	middle := median(all)
	measured := fmt.Sprintf("%.1f x as fast as libebur128, %.1f to %.1f in %d rounds", middle, slices.Min(all), slices.Max(all), len(rounds))
	if !held {
		t.tell(what, measured)
		return
	}
	t.hold(what, fmt.Sprintf("%s, aim %.0f", measured, metersAim), fmt.Sprintf("at least %.1f", metersLeast), middle >= metersLeast)
}

// writeNoise writes raw samples of even noise at −12 dBFS peak.
func writeNoise(path string, seed uint64, frames int) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer f.Close()
	w, random := bufio.NewWriter(f), exact.NewRandom(seed, "steady noise")
	for range frames {
		v := random.Between(-0.25, 0.25)
		if err := binary.Write(w, binary.LittleEndian, math.Float64bits(v)); err != nil {
			return err
		}
	}
	return firstError(w.Flush(), f.Close())
}

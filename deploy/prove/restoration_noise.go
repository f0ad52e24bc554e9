package main

import (
	"context"
	"fmt"
	"math"

	"chapterhouse/testdata/voices/booth"
	"chapterhouse/testdata/voices/narration"
)

// Limits of noise reduction.
const (
	leastLoweredDB = 9.0 // in pauses; what is less tells nothing of musical noise
	kurtosisLimit  = 0.5 // of the logarithm of the kurtosis ratio (Uemura et al. 2008)
	outlierLimit   = 5.0 // times the raw ones
	onsetLimitDB   = 1.0 // in the first 30 ms of words
)

// steadyNoises are kinds of noise that stay as they are, one list a side: of
// noise that swells, the raw pauses are no single noise.
func steadyNoises(printed bool) []string {
	if printed {
		return []string{"white:-60", "brown:-60,hiss:-72", "pink:-60", "fan:-60@87,hiss:-75"}
	}
	return []string{"white:-60", "brown:-60,hiss:-78", "pink:-60", "fan:-60@118"}
}

// noiseRows measure what noise reduction at its deepest leaves of noise in
// pauses, and takes from speech, with noise 20 to 60 dB under it. Both sides are
// measured; the printed one counts.
func noiseRows(ctx context.Context, s *site, t *table) error {
	sides := []side{tuneSide(s.seed), printSide(s.seed)}
	for _, rate := range []int{44100, 48000} {
		voices, under := 2, []float64{20, 30, 40, 50, 60}
		if rate != restorationHz {
			voices, under = 1, []float64{20, 60}
		}
		var read [2][]noiseReading
		for i, side := range sides {
			for k, voice := range side.voices[:voices] {
				r, err := readForNoise(side, voice, side.seed+uint64(k), rate)
				if err != nil {
					return err
				}
				read[i] = append(read[i], r)
			}
		}
		for kind := range steadyNoises(true) {
			var found [2]noiseFigures
			for i, side := range sides {
				noise := steadyNoises(i == 1)[kind]
				s.say("%s at %d Hz, voices %v", noise, rate, side.voices[:voices])
				found[i] = noNoise()
				for _, r := range read[i] {
					for _, snr := range under {
						if err := ctx.Err(); err != nil {
							return err
						}
						if err := found[i].measure(side, r, noise, snr); err != nil {
							return err
						}
					}
				}
			}
			found[1].hold(t, fmt.Sprintf("room-noise, %s, %d Hz: ", steadyNoises(true)[kind], rate), found[0])
		}
	}
	t.note("Noise reduction of 12 dB, noise 20 to 60 dB under speech, the worst of voices and levels (at 48 kHz of one voice, 20 and 60 dB); onset loss is")
	t.note("each level's mean over words. Pauses are frames in which every third of an octave of the clean recording is 15 dB under the noise and stays")
	t.note("so for 27 ms, in frames of 1411 samples 397 apart; kurtosis and outliers after Uemura et al. 2008, each bin against its own mean.")
	return nil
}

// A noiseReading is a voice without noise.
type noiseReading struct {
	clean  []float64
	speech float64 // power while it speaks
	seed   uint64
	rate   int
}

func readForNoise(s side, voice string, seed uint64, rate int) (noiseReading, error) {
	reading := narration.Reading{Voice: voice, Seed: seed, RateHz: rate, Spread: 1, Booth: s.booth, SpeechDBFS: restorationDBFS,
		Manner: narration.Manner{HeadS: 1.5, TailS: 1.5, PauseS: 0.9, PauseMinS: 0.7, BreathPct: 40, ClicksMin: -1, Even: true, StopAtS: 17}}
	stems, labels, err := reading.Stems()
	if err != nil {
		return noiseReading{}, err
	}
	r := noiseReading{clean: mixed(stems.Voice, stems.Breaths), seed: seed, rate: rate}
	frames := 0.0
	for _, mark := range labels.Marks {
		if mark.Kind == "sentence" {
			n := float64(mark.To - mark.From)
			r.speech += power(stems.Voice[mark.From:mark.To]) * n
			frames += n
		}
	}
	r.speech /= frames
	return r, nil
}

// noise is a kind of noise in a booth, so many dB under the reading's speech.
func (r noiseReading) noise(s side, kind string, snr float64) ([]float64, error) {
	room, err := booth.Parse(s.booth)
	if err != nil {
		return nil, err
	}
	noises, err := booth.ParseNoises(kind)
	if err != nil {
		return nil, err
	}
	var x []float64
	silence := make([]float64, r.rate)
	silence[0] = 1 // the booth sets its levels by what is said in it
	recorder := booth.New(booth.Setup{Booth: room, Noises: noises, RateHz: float64(r.rate), Seed: r.seed}, silence, func(block []float64) error {
		x = append(x, block...)
		return nil
	})
	if err := recorder.Flush(int64(len(r.clean))); err != nil {
		return nil, err
	}
	amplify(x, math.Sqrt(r.speech/power(x))*math.Pow(10, -snr/20))
	return x, nil
}

// noiseFigures are the worst that was found.
type noiseFigures struct {
	lowered  float64 // dB
	kurtosis float64 // logarithm of the ratio, farthest from 0
	outliers float64 // times the raw ones
	onset    float64 // dB, mean over words
	distance float64 // dB, where noise is 50 dB under speech or more
}

func noNoise() noiseFigures {
	return noiseFigures{lowered: math.Inf(1), outliers: math.Inf(-1), onset: math.Inf(-1), distance: math.Inf(-1)}
}

// measure tries one recording.
func (n *noiseFigures) measure(s side, r noiseReading, kind string, snr float64) error {
	noise, err := r.noise(s, kind, snr)
	if err != nil {
		return err
	}
	x := mixed(r.clean, noise)
	f, err := fit(x, r.rate, chainYAML("  - room-noise: {reduction_db: 12}\n"))
	if err != nil {
		return err
	}
	y := f.process(f.amplified(x), nil)
	amplify(y, 1/f.gain)

	g := noiseGrid()
	still := stillFrames(g, r.clean, noise, noiseHighHz, r.rate)
	raw, left := residueOf(g, x, still, noiseHighHz, r.rate), residueOf(g, y, still, noiseHighHz, r.rate)
	if raw.frames < leastStill {
		return fmt.Errorf("%s %g dB under speech: only %d frames of noise alone, too few to judge", kind, snr, raw.frames)
	}
	n.lowered = math.Min(n.lowered, raw.db-left.db)
	if k := logKurtosisRatio(raw, left); math.Abs(k) >= math.Abs(n.kurtosis) {
		n.kurtosis = k
	}
	n.outliers = math.Max(n.outliers, left.outliers/raw.outliers)
	mean, _ := onsetLoss(r.clean, x, y, onsets(r.clean, r.speech, r.rate), r.rate)
	n.onset = math.Max(n.onset, mean)
	if snr >= 50 {
		n.distance = math.Max(n.distance, logSpectralDistance(x, y, r.rate))
	}
	return nil
}

const (
	noiseHighHz = 16000.0
	leastStill  = 100 // frames, 0.9 s
)

// hold adds the rows of a kind of noise; tune is the other side's figures.
func (n noiseFigures) hold(t *table, name string, tune noiseFigures) {
	t.hold(name+"pauses lowered", fmt.Sprintf("%.1f (%.1f) dB", n.lowered, tune.lowered), fmt.Sprintf("at least %g dB", leastLoweredDB), n.lowered >= leastLoweredDB)
	t.hold(name+"log kurtosis ratio", fmt.Sprintf("%+.2f (%+.2f)", n.kurtosis, tune.kurtosis), fmt.Sprintf("within %g of 0", kurtosisLimit), math.Abs(n.kurtosis) <= kurtosisLimit)
	t.hold(name+"bins 10 dB over their mean", fmt.Sprintf("%.1f (%.1f) times the raw ones", n.outliers, tune.outliers), fmt.Sprintf("at most %g", outlierLimit), n.outliers <= outlierLimit)
	t.hold(name+"words' first 30 ms lose", fmt.Sprintf("%.2f (%.2f) dB", n.onset, tune.onset), fmt.Sprintf("at most %g dB", onsetLimitDB), n.onset <= onsetLimitDB)
	t.hold(name+"log-spectral distance, clean", fmt.Sprintf("%.2f (%.2f) dB", n.distance, tune.distance), fmt.Sprintf("at most %g dB", cleanLimitDB), n.distance <= cleanLimitDB)
}

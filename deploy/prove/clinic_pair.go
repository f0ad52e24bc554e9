package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"chapterhouse/dsp/resample"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/clinic"
	"chapterhouse/pipeline/house/strict"
	"chapterhouse/testdata/voices/narration"
)

const (
	pairChains     = 12
	pairReadS      = 60
	pairResponseDB = 1.0 // worst third octave from 100 Hz to 10 kHz
	pairGainDB     = 1.0 // of gain reduction: mean, and what 95 % are under
	pairTakenDB    = 2.0 // from which on a compressor works
	pairReference  = -23.0
)

// clinicPairs draws chains of known settings, runs raw reads through them, and
// holds what is found from the pair alone to them.
func clinicPairs(ctx context.Context, s *site, t *table) error {
	sides := [2]string{"formula voices", "espeak voices"}
	voices := [2][]string{{"marlow", "wren", "tansy", "birch"}, {"espeak-m3", "espeak-f2", "espeak-f5", "espeak-klatt4"}}
	var all [2]pairTotals
	for n := range pairChains {
		for engine, names := range voices {
			if len(names) == 0 {
				continue
			}
			if err := ctx.Err(); err != nil {
				return err
			}
			random := rand.New(rand.NewPCG(s.seed, uint64(1000*n+engine)))
			p := pairOf(random, names[n%len(names)], s.seed*100+uint64(n))
			s.say("pair %d of %d: %s", n+1, pairChains, p.voice)
			found, err := p.find()
			if err != nil {
				return fmt.Errorf("%s, chain %d: %w", p.voice, n+1, err)
			}
			s.say("%s", found)
			all[engine].add(found)
			t.tell(fmt.Sprintf("chain %d, %s", n+1, p.voice), found.String())
		}
	}
	for engine, a := range all {
		if a.n > 0 {
			a.fill(t, sides[engine])
		}
	}
	t.note("Chains of highpass, expander, two to four bands of eq, compressor and mostly a de-esser (eq behind the compressor in half of them), drawn anew for each row,")
	t.note("over reads of %d s; finished at another gain, delay and, in half of them, rate, and with pauses edited in a third. Response: eq and highpass against", pairReadS)
	t.note("the true ones, third octaves from 100 Hz to 10 kHz, worst band, but for one gain of all. Compressor: gains each 10 ms in the loudest tenth of phrases.")
	t.note("De-esser, which a quarter of the chains lack: where the true one or the one that was found takes 1 dB and more. Expander: level of room tone through either by itself, but for nothing.")
	return nil
}

// A pair is a raw read, a chain, and what was done to the outcome besides.
type pair struct {
	voice  string
	seed   uint64
	yaml   string
	gainDB float64
	lateS  float64
	rateHz int
	cuts   bool
}

// octaveDraw is a number between two, alike for each octave.
func octaveDraw(random *rand.Rand, low, high float64) float64 {
	return low * math.Pow(high/low, random.Float64())
}

func evenDraw(random *rand.Rand, low, high float64) float64 { return low + (high-low)*random.Float64() }

// pairOf draws a pair.
func pairOf(random *rand.Rand, voice string, seed uint64) pair {
	p := pair{voice: voice, seed: seed, gainDB: evenDraw(random, -6, 6), lateS: evenDraw(random, -0.8, 2), rateHz: 44100, cuts: random.IntN(3) == 0}
	if random.IntN(2) == 0 {
		p.rateHz = 48000
	}
	highpass := fmt.Sprintf("  - highpass: {cutoff_hz: %.1f, slope_db_per_octave: %d}\n", octaveDraw(random, 50, 110), []int{12, 18, 24}[random.IntN(3)])
	band := func() string {
		return fmt.Sprintf("{over_room_tone_db: %.1f, ratio: %.2f, range_db: %.1f}", evenDraw(random, 6, 9), evenDraw(random, 1.3, 2), evenDraw(random, 5, 9))
	}
	expander := "  - expander: {"
	if random.IntN(2) == 0 {
		expander += fmt.Sprintf("crossovers_hz: [%.0f, %.0f, %.0f], bands: [%s, %s, %s, %s]", octaveDraw(random, 160, 260), octaveDraw(random, 1500, 2100), octaveDraw(random, 5200, 6500), band(), band(), band(), band())
	} else {
		expander += "bands: [" + band() + "]"
	}
	expander += fmt.Sprintf(", hold_ms: %.0f, release_ms: %.0f}\n", evenDraw(random, 80, 150), evenDraw(random, 120, 300))
	eq := "  - eq:\n"
	for range 2 + random.IntN(2) {
		eq += fmt.Sprintf("      - {shape: bell, centre_hz: %.0f, gain_db: %.1f, q: %.2f}\n", octaveDraw(random, 110, 8000), evenDraw(random, 1.5, 5)*float64(1-2*random.IntN(2)), octaveDraw(random, 0.7, 4))
	}
	switch random.IntN(3) {
	case 0:
		eq += fmt.Sprintf("      - {shape: high-shelf, corner_hz: %.0f, gain_db: %.1f}\n", octaveDraw(random, 6000, 11000), evenDraw(random, -3, 4))
	case 1:
		eq += fmt.Sprintf("      - {shape: low-shelf, corner_hz: %.0f, gain_db: %.1f}\n", octaveDraw(random, 140, 320), evenDraw(random, -4, 2))
	}
	detector, over := "rms", evenDraw(random, -4, 3)
	if random.IntN(2) == 0 {
		detector, over = "peak", evenDraw(random, 1, 8)
	}
	compressor := fmt.Sprintf("  - compressor: {threshold_over_speech_db: %.1f, ratio: %.2f, knee_db: %.1f, attack_ms: %.1f, release_ms: %.0f, detector: %s}\n",
		over, octaveDraw(random, 1.4, 3.5), evenDraw(random, 0, 10), octaveDraw(random, 2, 25), octaveDraw(random, 50, 250), detector)
	if random.IntN(2) == 0 {
		eq, compressor = compressor, eq
	}
	p.yaml = "chain: known\nnarrator: ada-reed\nsetup: cellar\nreference: {speech_dbfs: -23}\nstages:\n" + highpass + expander + eq + compressor
	if random.IntN(4) > 0 {
		p.yaml += fmt.Sprintf("  - de-esser: {from_hz: %.0f, to_hz: %.0f, threshold_over_speech_db: %.1f, max_cut_db: %.1f}\n",
			evenDraw(random, 4800, 6200), evenDraw(random, 8800, 10500), evenDraw(random, -15, -7), evenDraw(random, 3, 7))
	}
	return p
}

// find runs the chain, and looks for it.
func (p pair) find() (pairFound, error) {
	form := clinic.Form{Narrator: "ada-reed", Setup: "cellar"}
	x, err := p.record()
	if err != nil {
		return pairFound{}, err
	}
	raw := clinic.Hear(x, voiceHz, form)
	known, faults := chain.Parse([]byte(p.yaml), "known.yaml")
	if err := strict.AsError(faults); err != nil {
		return pairFound{}, err
	}
	y, err := raw.Through(known.Stages, pairReference, nil)
	if err != nil {
		return pairFound{}, err
	}
	if y, err = p.finish(y, raw); err != nil {
		return pairFound{}, err
	}
	m, err := clinic.Like(raw, clinic.Hear(y, p.rateHz, form))
	if err != nil {
		return pairFound{}, err
	}
	return comparePair(raw, known.Stages, m)
}

// record reads a test read: whispers, pages and shouts as the built-in prose has
// them, and 12 s of room tone.
func (p pair) record() (x []float64, err error) {
	r := narration.Reading{Voice: p.voice, Seed: p.seed, RateHz: voiceHz, SpeechDBFS: -26, Spread: 1, Booth: "1.7x1.4x2.15,low=0.3", Noise: "pink:-72,hiss:-76",
		Manner: narration.Manner{HeadS: 1.5, TailS: 12, PauseS: 0.6, PauseMinS: 0.35, StopAtS: pairReadS - 14}}
	_, err = r.Record(func(block []float64) error { x = append(x, block...); return nil })
	return x, err
}

// finish delays, cuts pauses, and changes gain and rate.
func (p pair) finish(y []float64, raw *clinic.Read) ([]float64, error) {
	if p.cuts {
		phrases := raw.Marks.Phrases
		for _, k := range []int{len(phrases) * 3 / 4, len(phrases) / 3} { // from behind
			from, to := phrases[k].To, phrases[k+1].From
			if n := to - from; n.Seconds(voiceHz) > 0.3 {
				y = slices.Concat(y[:from+n*2/5], y[from+n*3/5:])
			}
		}
	}
	gain := math.Pow(10, p.gainDB/20)
	late := int(p.lateS * voiceHz)
	z := append(make([]float64, max(0, late)), y[max(0, -late):]...)
	for i := range z {
		z[i] *= gain
	}
	if p.rateHz == voiceHz {
		return z, nil
	}
	r, err := resample.New(voiceHz, p.rateHz)
	if err != nil {
		return nil, err
	}
	var out []float64
	emit := func(part []float64) { out = append(out, part...) }
	r.Write(z, emit)
	r.Close(emit)
	return out, nil
}

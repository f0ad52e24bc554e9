package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/resample"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
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
	t.note("Chains of highpass, expander, two to four bands of eq, compressor and de-esser (eq behind the compressor in half of them), drawn anew for each row,")
	t.note("over reads of %d s; finished at another gain, delay and, in half of them, rate, and with pauses edited in a third. Response: eq and highpass against", pairReadS)
	t.note("the true ones, third octaves from 100 Hz to 10 kHz, worst band, but for one gain of all. Compressor: gains each 10 ms in the loudest tenth of phrases.")
	t.note("De-esser: where the true one takes 1 dB and more. Expander: level of room tone through either by itself, but for nothing.")
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
	p.yaml = "chain: known\nnarrator: ada-reed\nsetup: cellar\nreference: {speech_dbfs: -23}\nstages:\n" + highpass + expander + eq + compressor +
		fmt.Sprintf("  - de-esser: {from_hz: %.0f, to_hz: %.0f, threshold_over_speech_db: %.1f, max_cut_db: %.1f}\n",
			evenDraw(random, 4800, 6200), evenDraw(random, 8800, 10500), evenDraw(random, -15, -7), evenDraw(random, 3, 7))
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

// pairFound is how far what was found lies from what was there, dB.
type pairFound struct {
	response         float64
	atHz             float64
	meanDB, highDB   float64 // compressor
	essDB            float64 // NaN: the true de-esser takes nowhere 1 dB
	toneDB           float64
	takenDB          float64
	stages, unproved []string
}

func (f pairFound) String() string {
	esses := "with nothing to take"
	if !math.IsNaN(f.essDB) {
		esses = fmt.Sprintf("%.2f dB", f.essDB)
	}
	s := fmt.Sprintf("response %.2f dB at %.0f Hz; compressor %.2f dB, 95 %% %.2f, of %.1f; esses %s; room tone %.2f dB; %s",
		f.response, f.atHz, f.meanDB, f.highDB, f.takenDB, esses, f.toneDB, strings.Join(f.stages, " "))
	if len(f.unproved) > 0 {
		s += "; says: " + strings.Join(f.unproved, "; ")
	}
	return s
}

// comparePair holds the chain that was found to the known one, over the read.
func comparePair(raw *clinic.Read, known []pipeline.Resolved, m clinic.Match) (pairFound, error) {
	found := m.Draft.Chain.Stages
	f := pairFound{stages: chain.Names(found), unproved: m.Unexplained}
	var err error
	if f.response, f.atHz, err = responseApart(raw, known, found); err != nil {
		return f, err
	}
	was, err := gainsOf(raw, known)
	if err != nil {
		return f, err
	}
	is, err := gainsOf(raw, found)
	if err != nil {
		return f, err
	}
	var apart, ess []float64
	for i := range was["compressor"] {
		at := dsp.Frames(i) * voiceHz / 100
		if !slices.ContainsFunc(loudestPhrases(raw), func(s pipeline.Span) bool { return at >= s.From && at < s.To }) {
			continue
		}
		f.takenDB -= was["compressor"][i]
		apart = append(apart, math.Abs(was["compressor"][i]-is["compressor"][i]))
	}
	f.takenDB /= float64(len(apart))
	for i, db := range was["de-esser"] {
		if db <= -1 {
			ess = append(ess, math.Abs(db-is["de-esser"][i]))
		}
	}
	f.meanDB, f.essDB = meanOf(apart), math.NaN()
	if len(ess) > 0 {
		f.essDB = meanOf(ess)
	}
	slices.Sort(apart)
	f.highDB = apart[len(apart)*95/100]
	f.toneDB, err = toneApart(raw, known, found)
	return f, err
}

func meanOf(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(max(1, len(v)))
}

// loudestPhrases are the loudest tenth of the phrases.
func loudestPhrases(raw *clinic.Read) (spans []pipeline.Span) {
	phrases := slices.Clone(raw.Marks.Phrases)
	slices.SortFunc(phrases, func(a, b meter.Phrase) int { return int(math.Copysign(1, float64(b.Level-a.Level))) })
	for _, p := range phrases[:max(1, len(phrases)/10)] {
		spans = append(spans, pipeline.Span{From: p.From, To: p.To})
	}
	return spans
}

// gainsOf are the gains of compressor and de-esser each 10 ms, dB; zeros where
// the chain has none.
func gainsOf(raw *clinic.Read, stages []pipeline.Resolved) (map[string][]float64, error) {
	n := len(raw.Samples())*100/voiceHz + 1
	out := map[string][]float64{"compressor": make([]float64, n), "de-esser": make([]float64, n)}
	names := chain.Names(stages)
	_, err := raw.Through(stages, pairReference, func(at dsp.Frames, stage int, gains []float64) {
		into := out[names[stage]]
		if into == nil {
			return
		}
		for k, g := range gains {
			frame := at + dsp.Frames(k*dsp.ControlStep(voiceHz))
			if i := int(frame) * 100 / voiceHz; frame >= 0 && i < n {
				into[i] += g * float64(dsp.ControlStep(voiceHz)) / (voiceHz / 100)
			}
		}
	})
	return out, err
}

// only are the stages of some names.
func only(stages []pipeline.Resolved, names ...string) (out []pipeline.Resolved) {
	for _, s := range stages {
		if slices.Contains(names, s.Stage) {
			out = append(out, s)
		}
	}
	return out
}

// responseApart is how far the static stages are apart in the worst third octave
// from 100 Hz to 10 kHz, one gain of all taken away.
func responseApart(raw *clinic.Read, a, b []pipeline.Resolved) (db, hz float64, err error) {
	var apart [][]float64
	var bands []spectrum.Band
	for _, x := range spectrum.ThirdOctaves() {
		if x.Mid > 99 && x.Mid < 10100 {
			bands = append(bands, x)
		}
	}
	for _, stages := range [][]pipeline.Resolved{a, b} {
		ps, err := chain.New(only(stages, "highpass", "eq"), voiceHz, chain.PlainFacts(pairReference))
		if err != nil {
			return 0, 0, err
		}
		x := make([]float64, 1<<16)
		x[0] = 1
		f, err := spectrum.NewFFT(len(x))
		if err != nil {
			return 0, 0, err
		}
		bins := make([]complex128, len(x)/2+1)
		f.Forward(bins, dsp.NewEngine(0, ps...).Whole(x))
		var row []float64
		for _, band := range bands {
			v := bins[int(math.Round(band.Mid*float64(len(x))/voiceHz))]
			row = append(row, 10*math.Log10(real(v)*real(v)+imag(v)*imag(v)))
		}
		apart = append(apart, row)
	}
	var d []float64
	for i := range bands {
		d = append(d, apart[1][i]-apart[0][i])
	}
	mean := meanOf(d)
	for i, v := range d {
		if off := math.Abs(v - mean); off > db {
			db, hz = off, bands[i].Mid
		}
	}
	return db, hz, nil
}

// toneApart is how far apart room tone comes out of the expanders.
func toneApart(raw *clinic.Read, a, b []pipeline.Resolved) (float64, error) {
	var levels []float64
	for _, stages := range [][]pipeline.Resolved{a, b} {
		y, err := raw.Through(only(stages, "expander"), pairReference, nil)
		if err != nil {
			return 0, err
		}
		high, err := filter.Highpass(100, 24, voiceHz)
		if err != nil {
			return 0, err
		}
		c := kernel.NewCascade(high)
		c.Process(y)
		var sum, n float64
		for _, w := range raw.Room.Tone {
			for _, v := range y[w.From:w.To] {
				sum += v * v
			}
			n += float64(w.To - w.From)
		}
		levels = append(levels, 10*math.Log10(sum/n))
	}
	return math.Abs(levels[1] - levels[0]), nil
}

// pairTotals are the worst of all pairs of an engine, and how many are within.
type pairTotals struct {
	n, within                               int
	response, meanDB, highDB, essDB, toneDB []float64
}

func (p *pairTotals) add(f pairFound) {
	p.n++
	if f.response <= pairResponseDB && f.meanDB <= pairGainDB && f.highDB <= pairGainDB && !(f.essDB > pairGainDB) && f.toneDB <= pairGainDB {
		p.within++
	}
	p.response, p.meanDB, p.highDB = append(p.response, f.response), append(p.meanDB, f.meanDB), append(p.highDB, f.highDB)
	p.toneDB = append(p.toneDB, f.toneDB)
	if !math.IsNaN(f.essDB) {
		p.essDB = append(p.essDB, f.essDB)
	}
}

func (p *pairTotals) fill(t *table, side string) {
	row := func(what string, v []float64, limit float64) {
		if len(v) == 0 {
			return // no true de-esser had anything to take
		}
		t.atMost(fmt.Sprintf("%s, %s, worst of %d", what, side, len(v)), slices.Max(v), limit, "%.2f dB", fmt.Sprintf("%.2f in the middle", median(slices.Clone(v))))
	}
	row("response", p.response, pairResponseDB)
	row("gain of the compressor, mean", p.meanDB, pairGainDB)
	row("gain of the compressor, 95 %", p.highDB, pairGainDB)
	row("gain of the de-esser in esses", p.essDB, pairGainDB)
	row("room tone behind the expander", p.toneDB, pairGainDB)
	t.tell("pairs within all limits, "+side, fmt.Sprintf("%d of %d", p.within, p.n))
}

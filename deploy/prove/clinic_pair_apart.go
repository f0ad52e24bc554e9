package main

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/clinic"
)

// pairFound is how far what was found lies from what was there, dB.
type pairFound struct {
	response         float64
	atHz             float64
	meanDB, highDB   float64 // compressor
	essDB            float64 // NaN: neither de-esser takes 1 dB anywhere
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
		if db <= -1 || is["de-esser"][i] <= -1 {
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
	working                                 []float64 // mean error where the compressor takes 2 dB and more
	response, meanDB, highDB, essDB, toneDB []float64
}

func (p *pairTotals) add(f pairFound) {
	p.n++
	if f.takenDB >= pairTakenDB {
		p.working = append(p.working, f.meanDB)
	}
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
			t.tell(what+", "+side, "none")
			return
		}
		t.atMost(fmt.Sprintf("%s, %s, worst of %d", what, side, len(v)), slices.Max(v), limit, "%.2f dB", fmt.Sprintf("%.2f in the middle", median(slices.Clone(v))))
	}
	row("response", p.response, pairResponseDB)
	row("gain of the compressor, mean", p.meanDB, pairGainDB)
	row("gain of the compressor, 95 %", p.highDB, pairGainDB)
	row(fmt.Sprintf("gain of the compressor, mean, where the true one takes %.0f dB and more in the loudest tenth", pairTakenDB), p.working, pairGainDB)
	row("gain of the de-esser in esses", p.essDB, pairGainDB)
	row("room tone behind the expander", p.toneDB, pairGainDB)
	t.tell("pairs within all limits, "+side, fmt.Sprintf("%d of %d", p.within, p.n))
}

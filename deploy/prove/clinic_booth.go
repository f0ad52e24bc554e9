package main

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/clinic"
	"chapterhouse/testdata/voices/booth"
	"chapterhouse/testdata/voices/exact"
)

// Limits of the rows on booth inversion.
const (
	narrowLimitDB   = 2.0 // RMS over third octaves, 100 Hz to 8 kHz, minus their octave trend
	narrowHalvedDB  = 4.0 // from which on it is to be halved
	broadLimitDB    = 1.0 // by which the trend may be further off than the raw read's
	earlierLimitDB  = 2.0 // RMS of both, where an earlier recording is given
	keptLimitDB     = 1.5
	cleanBandDB     = 2.0 // of a corrective band on a voice that needs none
	thirdsUnderDB   = 30.0
	plantedPeakDB   = 6.0  // over the octave around, of the booth's response
	plantedWithin   = 0.06 // of its frequency a band lies
	plantedFromHz   = 90.0
	plantedToHz     = 800.0
	earlierSeedStep = 500
)

// shaping are the stages of a draft that don't correct.
func shaping(d clinic.Draft) (stages []pipeline.Resolved) {
	for i, s := range d.Chain.Stages {
		if !d.Corrective[i] {
			stages = append(stages, s)
		}
	}
	return stages
}

// inversion gathers how much of their booths drafts take back.
type inversion struct {
	narrow, ratio, broad, earlier, kept map[string][]float64 // by draft
	peaks, dips                         map[string][]float64 // left of third octaves that stand out by so much, against what there was
	rawNarrow                           []float64
	cleanBands                          []float64
	planted, found, bands, wrong        int
	lines                               []string
}

func (v *inversion) add(r draftRead) error {
	if v.narrow == nil {
		v.peaks, v.dips = map[string][]float64{}, map[string][]float64{}
		v.narrow, v.ratio, v.broad, v.earlier, v.kept = map[string][]float64{}, map[string][]float64{}, map[string][]float64{}, map[string][]float64{}, map[string][]float64{}
	}
	if r.walls == "none" {
		for _, d := range r.drafts {
			most := 0.0
			for _, b := range correctiveBands(d) {
				most = max(most, math.Abs(b.gainDB))
			}
			v.cleanBands = append(v.cleanBands, most)
			v.lines = append(v.lines, fmt.Sprintf("%s, %s: corrective bands of up to %.1f dB", r.name, d.Name, most))
		}
		return nil
	}
	voice := spokenThirds(r.clean.Samples(), r.marks)
	raw := colourOf(spokenThirds(r.raw.Samples(), r.marks), voice, voice, p56(r.raw.Samples()), p56(r.clean.Samples()))
	v.rawNarrow = append(v.rawNarrow, rmsOf(raw.narrow))
	earlier, _, err := draftReading(r.voice, "none", draftQuiet, r.cleanSeed()+earlierSeedStep, 0)
	if err != nil {
		return err
	}
	withLows, err := clinic.Drafts(r.raw, clinic.Order{Wishes: []clinic.Wish{clinic.KeepLows}})
	if err != nil {
		return err
	}
	for i, d := range r.drafts {
		c, err := r.left(d, voice)
		if err != nil {
			return err
		}
		e, err := r.leftWithEarlier(i, earlier, voice)
		if err != nil {
			return err
		}
		kept, err := r.lowsMoved(withLows[i])
		if err != nil {
			return err
		}
		v.narrow[d.Name] = append(v.narrow[d.Name], rmsOf(c.narrow))
		if rmsOf(raw.narrow) >= narrowHalvedDB {
			v.ratio[d.Name] = append(v.ratio[d.Name], rmsOf(c.narrow)/rmsOf(raw.narrow))
		}
		for k, was := range raw.narrow {
			switch {
			case was >= narrowHalvedDB:
				v.peaks[d.Name] = append(v.peaks[d.Name], math.Abs(c.narrow[k])/was)
			case was <= -narrowHalvedDB:
				v.dips[d.Name] = append(v.dips[d.Name], math.Abs(c.narrow[k]/was))
			}
		}
		v.broad[d.Name] = append(v.broad[d.Name], rmsOf(c.broad)-rmsOf(raw.broad))
		v.earlier[d.Name] = append(v.earlier[d.Name], rmsOf(e.all))
		v.kept[d.Name] = append(v.kept[d.Name], kept)
		v.lines = append(v.lines, fmt.Sprintf("%s, %s: narrow %.1f dB of %.1f, broad %.1f of %.1f, with an earlier recording %.1f of %.1f in all, kept lows within %.1f",
			r.name, d.Name, rmsOf(c.narrow), rmsOf(raw.narrow), rmsOf(c.broad), rmsOf(raw.broad), rmsOf(e.all), rmsOf(raw.all), kept))
	}
	return v.count(r)
}

// cleanSeed is any number that names the voice's reading.
func (r draftRead) cleanSeed() (seed uint64) {
	for _, c := range r.voice {
		seed = 31*seed + uint64(c)
	}
	return seed % 10000
}

// left is what of the booth is left in a draft's output, beside the draft's other
// stages on the clean voice.
func (r draftRead) left(d clinic.Draft, voice []float64) (colour, error) {
	got, err := r.raw.Through(d.Chain.Stages, d.Chain.SpeechDBFS, nil)
	if err != nil {
		return colour{}, err
	}
	want, err := r.clean.Through(shaping(d), d.Chain.SpeechDBFS, nil)
	if err != nil {
		return colour{}, err
	}
	return colourOf(spokenThirds(got, r.marks), spokenThirds(want, r.marks), voice, p56(got), p56(want)), nil
}

// leftWithEarlier is the same of the i-th draft that goes by an approved recording:
// another reading of the clean voice, finished as the draft finishes.
func (r draftRead) leftWithEarlier(i int, earlier *clinic.Read, voice []float64) (colour, error) {
	d := r.drafts[i]
	y, err := earlier.Through(shaping(d), d.Chain.SpeechDBFS, nil)
	if err != nil {
		return colour{}, err
	}
	drafts, err := clinic.Drafts(r.raw, clinic.Order{Earlier: clinic.Hear(y, draftHz, earlier.Form)})
	if err != nil {
		return colour{}, err
	}
	return r.left(drafts[i], voice)
}

// lowsMoved is how far the third octave from 80 to 160 Hz that moved most did, at
// equal speech level, of those that the read has something in.
func (r draftRead) lowsMoved(d clinic.Draft) (most float64, err error) {
	got, err := r.raw.Through(d.Chain.Stages, d.Chain.SpeechDBFS, nil)
	if err != nil {
		return 0, err
	}
	bins := spokenBins(r.raw.Samples(), r.marks)
	highest := slices.Max(inThirds(bins, thirdsHz()))
	was, is := inThirds(bins, lowThirdsHz()), inThirds(spokenBins(got, r.marks), lowThirdsHz())
	louder := p56(got) - float64(r.raw.Profile.Levels.Speech)
	for i := range was {
		if was[i] > highest-thirdsUnderDB {
			most = max(most, math.Abs(is[i]-was[i]-louder))
		}
	}
	return most, nil
}

// A corrective is a band of a corrective eq.
type corrective struct{ hz, gainDB float64 }

func correctiveBands(d clinic.Draft) (all []corrective) {
	for i, s := range d.Chain.Stages {
		if s.Stage != "eq" || !d.Corrective[i] {
			continue
		}
		var p struct {
			Bands []struct {
				CentreHz float64 `json:"centre_hz"`
				CornerHz float64 `json:"corner_hz"`
				GainDB   float64 `json:"gain_db"`
			}
		}
		if json.Unmarshal(s.Params, &p) == nil {
			for _, b := range p.Bands {
				all = append(all, corrective{b.CentreHz + b.CornerHz, b.GainDB})
			}
		}
	}
	return all
}

// count holds a draft's cuts to the peaks of the booth's own response.
func (v *inversion) count(r draftRead) error {
	over, err := boothOver(r.walls)
	if err != nil {
		return err
	}
	cuts := correctiveBands(r.drafts[0])
	near := func(a, b float64) bool { return math.Abs(a/b-1) <= plantedWithin }
	lowest := r.lowestHz()
	for k := 1; k < len(over)-1; k++ {
		hz := float64(k) * boothBinHz
		if hz < max(plantedFromHz, lowest) || hz > plantedToHz || over[k] < plantedPeakDB || over[k] < over[k-1] || over[k] <= over[k+1] {
			continue
		}
		v.planted++
		if slices.ContainsFunc(cuts, func(b corrective) bool { return b.gainDB < 0 && near(b.hz, hz) }) {
			v.found++
		}
	}
	for _, b := range cuts {
		if b.gainDB >= 0 || b.hz > plantedToHz {
			continue
		}
		v.bands++
		risen := false
		for k := range over {
			risen = risen || over[k] > plantedPeakDB/2 && near(float64(k)*boothBinHz, b.hz)
		}
		if !risen {
			v.wrong++
		}
	}
	return nil
}

// lowestHz is under what the clean voice has next to nothing.
func (r draftRead) lowestHz() float64 {
	voice := spokenThirds(r.clean.Samples(), r.marks)
	for i, hz := range thirdsHz() {
		if voice[i] > slices.Max(voice)-thirdsUnderDB/2 {
			return hz
		}
	}
	return 0
}

const (
	boothSize  = 1 << 15
	boothBinHz = float64(draftHz) / boothSize
)

// boothOver is how far the booth's response from mouth to microphone stands over
// the octave around each bin, dB.
func boothOver(walls string) ([]float64, error) {
	b, err := booth.Parse(walls)
	if err != nil {
		return nil, err
	}
	fft := exact.NewFFT(boothSize)
	re, im := make([]float64, boothSize), make([]float64, boothSize)
	copy(re, b.Response(b.Voice, draftHz, boothSize/2))
	fft.Forward(re, im)
	top := binAt(2*plantedToHz, draftHz, boothSize)
	level, over := make([]float64, top), make([]float64, top)
	for k := range level {
		level[k] = 10 * math.Log10(re[k]*re[k]+im[k]*im[k]+1e-30)
	}
	for k := binAt(plantedFromHz/2, draftHz, boothSize); k < top; k++ {
		around := slices.Clone(level[int(float64(k)/math.Sqrt2):min(top, int(float64(k)*math.Sqrt2)+1)])
		slices.Sort(around)
		over[k] = level[k] - around[len(around)/2]
	}
	return over, nil
}

func (v *inversion) fill(t *table) {
	for _, d := range []string{"spare", "round"} {
		name := "booth inversion, " + d + ": "
		t.atMost(name+"narrow part left, worst read", slices.Max(v.narrow[d]), narrowLimitDB, "%.1f dB", fmt.Sprintf("%.1f in the middle of %d; raw %.1f, at most %.1f", median(v.narrow[d]), len(v.narrow[d]), median(v.rawNarrow), slices.Max(v.rawNarrow)))
		less, coloured := 0, 0
		for i, left := range v.narrow[d] {
			if v.rawNarrow[i] > narrowLimitDB {
				if coloured++; left < v.rawNarrow[i] {
					less++
				}
			}
		}
		t.hold(name+fmt.Sprintf("narrow part less than raw, where that is over %.0f dB", narrowLimitDB), fmt.Sprintf("in %d of %d reads", less, coloured), "all", less == coloured)
		if len(v.ratio[d]) > 0 {
			t.atMost(name+fmt.Sprintf("narrow part against raw, where that is %.0f dB and more", narrowHalvedDB), slices.Max(v.ratio[d]), 0.5, "%.2f", fmt.Sprintf("%d reads", len(v.ratio[d])))
		} else {
			t.tell(name+"narrow part against raw", fmt.Sprintf("no read here has %.0f dB", narrowHalvedDB))
		}
		if p := v.peaks[d]; len(p) > 0 {
			halved := 0
			for _, left := range p {
				if left <= 0.5 {
					halved++
				}
			}
			t.tell(name+fmt.Sprintf("left of single third octaves that stand out by %.0f dB and more, in the middle", narrowHalvedDB), fmt.Sprintf("%.2f of %d, %d halved, worst %.2f", median(p), len(p), halved, slices.Max(p)))
		}
		if p := v.dips[d]; len(p) > 0 {
			t.tell(name+fmt.Sprintf("left of holes of %.0f dB and more, in the middle", narrowHalvedDB), fmt.Sprintf("%.2f of %d: none is filled", median(p), len(p)))
		}
		t.atMost(name+"broad part further off than raw, worst read", slices.Max(v.broad[d]), broadLimitDB, "%.1f dB", fmt.Sprintf("%.1f in the middle", median(v.broad[d])))
		t.atMost(name+"all, given an earlier recording, worst read", slices.Max(v.earlier[d]), earlierLimitDB, "%.1f dB", fmt.Sprintf("%.1f in the middle", median(v.earlier[d])))
		t.atMost(name+"80 to 160 Hz moved with keep-lows, worst read", slices.Max(v.kept[d]), keptLimitDB, "%.1f dB", fmt.Sprintf("%.1f in the middle", median(v.kept[d])))
	}
	t.atMost("corrective bands on clean voices", slices.Max(v.cleanBands), cleanBandDB, "%.1f dB", fmt.Sprintf("%d drafts", len(v.cleanBands)))
	t.tell(fmt.Sprintf("peaks of booths, %.0f dB and more, that got a band", plantedPeakDB), fmt.Sprintf("%d of %d", v.found, v.planted))
	t.tell("bands where the booth has no peak", fmt.Sprintf("%d of %d", v.wrong, v.bands))
	for _, l := range v.lines {
		t.note("%s", strings.TrimSpace(l))
	}
}

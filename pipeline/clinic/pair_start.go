package clinic

import (
	"math"
	"slices"
)

// A sighting is what the levels of both recordings show before anything was
// rendered.
type sighting struct {
	raw    [][]float64 // levels of the raw after the fit, as grid.levels
	gains  [][]float64 // finished less raw
	wide   []float64   // level of the raw from 100 Hz to 5 kHz, by frame
	toneDB []float64   // of the raw's room tone, by band
	still  []float64   // gain of middling speech, by band
	curve  curve
}

const (
	overToneDB    = 12.0 // of a band that is the voice's
	middlingLowDB = 16.0 // under speech: over what an expander takes,
	middlingTopDB = 5.0  // and under most that a compressor takes
	leastFrames   = 30
)

// sight looks at both recordings.
func (f *fitter) sight() sighting {
	h := f.hands[0]
	levels, _ := f.g.listen(f.x, h.frames, h.long)
	s := sighting{raw: levels}
	for i, row := range levels {
		gains := make([]float64, len(row))
		wide := 0.0
		for b, db := range row {
			gains[b] = f.g.levels[i][b] - db
			if mid := f.g.band[b].Mid; mid < 5200 {
				wide += math.Pow(10, db/10)
			}
		}
		s.gains, s.wide = append(s.gains, gains), append(s.wide, powerDB(wide))
	}
	for b := range f.g.band {
		s.toneDB = append(s.toneDB, share(column(s.raw, b, func(i int) bool { return f.g.tone[i] }), 0.5))
		if math.IsNaN(s.toneDB[b]) {
			s.toneDB[b] = -120
		}
	}
	speech := float64(f.fit.Facts.SpeechDBFS)
	middling := func(i int) bool {
		return f.g.speech[i] && s.wide[i] > speech-middlingLowDB && s.wide[i] < speech-middlingTopDB
	}
	for b := range f.g.band {
		v := column(s.gains, b, func(i int) bool { return middling(i) && s.raw[i][b] > s.toneDB[b]+overToneDB })
		if len(v) < leastFrames {
			v = column(s.gains, b, middling)
		}
		if len(v) == 0 {
			v = column(s.gains, b, func(i int) bool { return f.g.speech[i] })
		}
		s.still = append(s.still, middleOf(v))
	}
	s.curve = f.stillCurve()
	return s
}

// stillCurve is the static response, by sixth octaves: what is left of the gains
// of long windows of speech when each window's own gain is taken away, by median
// polish (Tukey, Exploratory Data Analysis, 1977). What moves in few windows, as
// esses do, has no say.
func (f *fitter) stillCurve() curve {
	h := f.hands[0]
	gains := make([][]float64, len(f.g.longAt))
	for i, at := range f.g.longAt {
		raw, fin := make([]float64, len(f.g.long)), make([]float64, len(f.g.long))
		h.long.powers(raw, f.x[at.stretch], at.at)
		h.long.powers(fin, f.g.aligned[at.stretch], at.at)
		for b := range raw {
			raw[b] = powerDB(fin[b]) - powerDB(raw[b])
		}
		gains[i] = raw
	}
	still := make([]float64, len(f.g.long))
	for range 4 {
		for _, row := range gains {
			var v []float64
			for b, band := range f.g.long {
				if band.Mid > 250 && band.Mid < 4500 {
					v = append(v, row[b]-still[b])
				}
			}
			mid := middleOf(v)
			for b := range row {
				row[b] -= mid
			}
		}
		for b := range still {
			still[b] = share(column(gains, b, func(int) bool { return true }), 0.5)
		}
	}
	c := curve{rateHz: float64(f.g.rateHz)}
	for b, band := range f.g.long {
		if f.g.longDB[b] < pairNilDB {
			continue
		}
		worth := 1.0
		if band.Mid < 90 {
			worth = 0.4 // little of a voice is there
		}
		c.band, c.db, c.worth = append(c.band, band), append(c.db, still[b]), append(c.worth, worth)
	}
	return c
}

// column are the values of a band in frames that are wanted.
func column(rows [][]float64, b int, want func(i int) bool) (v []float64) {
	for i, row := range rows {
		if want(i) {
			v = append(v, row[b])
		}
	}
	return v
}

// middleOf is the median; 0 of none.
func middleOf(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	return share(v, 0.5)
}

// start is a chain of everything that the levels speak for.
func (f *fitter) start(s sighting) (candidate, error) {
	fit := s.curve.fit()
	var off []float64 // the curve has no level of its own
	for b, band := range f.g.band {
		if band.Mid > 250 && band.Mid < 4500 {
			t := fit
			t.gainDB = 0
			off = append(off, s.still[b]-t.at(band.Mid, s.curve.rateHz))
		}
	}
	c := candidate{gain: dbKnob(middleOf(off), -60, 60)}
	if fit.slope > 0 {
		c.modules = append(c.modules, highpassModule(fit.cutoffHz, fit.slope))
	}
	if e, ok := f.startExpander(s, false); ok {
		c.modules = append(c.modules, e)
	}
	if len(fit.bands) > 0 {
		c.modules = append(c.modules, eqModule(fit.bands, s.curve.rateHz))
	}
	var err error
	if c, err = f.startCompressor(s, c); err != nil {
		return c, err
	}
	return f.startDeEsser(s, c)
}

// startExpander is what room tone loses beside middling speech, by bands of the
// expander.
func (f *fitter) startExpander(s sighting, split bool) (module, bool) {
	lost := make([]float64, 0, len(f.g.band))
	for b := range f.g.band {
		v := share(column(s.gains, b, func(i int) bool { return f.g.tone[i] && f.g.levels[i][b] > pairNilDB }), 0.5)
		lost = append(lost, s.still[b]-v)
	}
	var crossovers []float64
	if split {
		crossovers = usualCrossovers()
	}
	var over, ratio, most []float64
	found := false
	edges := append(append([]float64{0}, crossovers...), 1e9)
	for k := range len(edges) - 1 {
		var in []float64
		for b, band := range f.g.band {
			if !math.IsNaN(lost[b]) && band.Mid > edges[k] && band.Mid < edges[k+1] {
				in = append(in, lost[b])
			}
		}
		// Middling speech may be turned down itself: what is too much is spared later.
		db := max(1, middleOf(in))
		found = found || len(in) > 0
		over, ratio, most = append(over, 8), append(ratio, 1+max(0.15, db/7)), append(most, db+0.3)
	}
	return expanderModule(crossovers, over, ratio, most), found
}

// usualCrossovers are those of a house's chain: body, middle, presence, air
// (common practice).
func usualCrossovers() []float64 { return []float64{220, 1800, 6000} }

// startCompressor tries compressors on what the static stages make of the raw,
// against how the middle of the voice loses level as it gets louder.
func (f *fitter) startCompressor(s sighting, c candidate) (candidate, error) {
	x, err := f.render(c.without("expander"), f.hands[0])
	if err != nil {
		return c, err
	}
	speech := float64(f.fit.Facts.SpeechDBFS)
	var want []float64
	var at []spot
	size := f.hands[0].frames.size()
	for i := range f.g.at {
		if !f.g.speech[i] || s.wide[i] < speech-middlingLowDB {
			continue
		}
		var v []float64
		for b, band := range f.g.band {
			if band.Mid > 220 && band.Mid < 4200 && s.raw[i][b] > s.toneDB[b]+overToneDB {
				v = append(v, s.gains[i][b]-s.still[b])
			}
		}
		if len(v) >= 4 {
			want = append(want, middleOf(v))
			at = append(at, spot{f.g.at[i].stretch, f.g.at[i].at + size/4})
		}
	}
	before := energies(x, at, size/2)
	none := spreadOf(want)
	best, least := module{}, none
	var y stretched
	for _, detector := range []string{"rms", "peak"} {
		shift := map[string]float64{"rms": 0, "peak": 5}[detector]
		for _, over := range []float64{-7, -2, 2} {
			for _, ratio := range []float64{1.5, 2.5} {
				for _, attack := range []float64{4, 20} {
					for _, release := range []float64{60, 200} {
						m := compressorModule(detector, over+shift, ratio, 6, attack, release)
						if y, err = f.through(y, x, m.now()); err != nil {
							return c, err
						}
						after := energies(y, at, size/2)
						d := make([]float64, len(want))
						for i := range d {
							d[i] = want[i] - (after[i] - before[i])
						}
						if e := spreadOf(d); e < least {
							best, least = m, e
						}
					}
				}
			}
		}
	}
	if best.name != "" {
		c.modules = append(c.modules, best)
	}
	return c, nil
}

// energies are levels of n frames from each spot on, dB.
func energies(x stretched, at []spot, n int) []float64 {
	out := make([]float64, len(at))
	for i, s := range at {
		sum := 0.0
		for _, v := range x[s.stretch][s.at : s.at+n] {
			sum += v * v
		}
		out[i] = powerDB(sum / float64(n))
	}
	return out
}

// spreadOf is the mean distance from the middle.
func spreadOf(v []float64) float64 {
	mid, sum := middleOf(v), 0.0
	for _, x := range v {
		sum += math.Abs(x - mid)
	}
	return sum / float64(max(1, len(v)))
}

// essShare is the share of frames of speech that are softer at the top than esses
// are.
const essShare = 0.92

// tops are the levels from 5 to 9.5 kHz in frames of speech, and what these lose
// there against middling speech, dB.
func (f *fitter) tops(s sighting) (top, lost []float64) {
	for i := range f.g.at {
		if !f.g.speech[i] {
			continue
		}
		level := 0.0
		var v []float64
		for b, band := range f.g.band {
			if band.Mid > 5000 && band.Mid < 9500 {
				level += math.Pow(10, s.raw[i][b]/10)
				v = append(v, s.still[b]-s.gains[i][b])
			}
		}
		top, lost = append(top, powerDB(level)), append(lost, middleOf(v))
	}
	return top, lost
}

// startDeEsser adds a de-esser if the top of esses loses more than the rest.
func (f *fitter) startDeEsser(s sighting, c candidate) (candidate, error) {
	top, lost := f.tops(s)
	if len(top) == 0 {
		return c, nil
	}
	loud := share(top, essShare)
	var cut []float64
	for i, db := range top {
		if db > loud {
			cut = append(cut, lost[i])
		}
	}
	depth := share(cut, 0.8)
	if depth < 0.4 {
		return c, nil
	}
	least, best := math.Inf(1), c
	for _, over := range []float64{-18, -13, -9, -5} {
		t := c
		t.modules = append(slices.Clone(c.modules), deEsserModule(5500, 9800, over, depth*1.2, s.curve.rateHz))
		cost, err := f.cost(t)
		if err != nil {
			return c, err
		}
		if cost < least {
			best, least = t, cost
		}
	}
	return best, nil
}

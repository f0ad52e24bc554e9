package clinic

import (
	"math"
	"slices"

	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/spectrum"
)

// A curveBand is one band of an eq; q of a shelf is its slope.
type curveBand struct {
	shape string
	hz    float64
	db    float64
	q     float64
}

func (b curveBand) fields() fields {
	if b.shape == "bell" {
		return fields{{"shape", b.shape}, {"centre_hz", b.hz}, {"gain_db", b.db}, {"q", b.q}}
	}
	return fields{{"shape", b.shape}, {"corner_hz", b.hz}, {"gain_db", b.db}, {"slope", b.q}}
}

// sections are the band as it is filtered; a setting out of range is none.
func (b curveBand) sections(rateHz float64) []kernel.Biquad {
	var s []kernel.Biquad
	switch b.shape {
	case "bell":
		s, _ = filter.Bell(b.hz, b.db, b.q, rateHz)
	case "low-shelf":
		s, _ = filter.LowShelf(b.hz, b.db, b.q, rateHz)
	case "high-shelf":
		s, _ = filter.HighShelf(b.hz, b.db, b.q, rateHz)
	}
	return s
}

// A curve is a static response that was measured: dB by band, and what each is
// worth. How loud the whole is isn't in it.
type curve struct {
	band   []spectrum.Band
	db     []float64
	worth  []float64
	rateHz float64

	most          int     // bands; 0: mostBands
	mostDB, mostQ float64 // of a band; 0: what an eq has
}

// A curveFit is what explains a curve: a highpass, bands, and a gain.
type curveFit struct {
	cutoffHz float64
	slope    int // 0: no highpass
	gainDB   float64
	bands    []curveBand
}

const (
	mostBands    = 6
	bandWorthDB  = 0.06 // RMS over the curve that a further band must take away,
	bandEnough   = 0.12 // and where no more are asked for
	leastBandDB  = 0.3  // of a band
	mostBellDB   = 15.0
	mostShelfDB  = 9.0  // what falls further is a highpass
	fallDB       = 6.0  // under 60 Hz against 150 to 300 Hz: there is one
	lowestBandHz = 80.0 // under it a highpass explains what there is
)

// fit finds the fewest bands that explain the curve. A highpass is tried by its
// slopes.
func (c curve) fit() curveFit {
	best, least := curveFit{}, math.Inf(1)
	falls := c.falls()
	for _, slope := range []int{0, 6, 12, 18, 24, 36, 48} {
		if slope == 0 && falls {
			continue
		}
		f := curveFit{slope: slope}
		if slope > 0 {
			lowest := math.Inf(1)
			for hz := 25.0; hz <= 260; hz *= 1.12 {
				t := curveFit{slope: slope, cutoffHz: hz}
				if e := c.robust(&t); e < lowest {
					f, lowest = t, e
				}
			}
		}
		f = c.withBands(f)
		// A steeper or a further filter must be worth it.
		e := c.rms(f) + bandWorthDB*(float64(len(f.bands))+float64(slope)/24)
		if e < least {
			best, least = f, e
		}
	}
	return best
}

// withBands adds bands while they are worth it.
func (c curve) withBands(f curveFit) curveFit {
	f = c.settle(f)
	most := mostBands
	if c.most > 0 {
		most = c.most
	}
	for len(f.bands) < most && c.rms(f) > bandEnough {
		t := c.settle(c.withBest(f))
		if c.rms(t) > c.rms(f)-bandWorthDB {
			break
		}
		f = t
	}
	for i := 0; i < len(f.bands); i++ {
		if math.Abs(f.bands[i].db) >= leastBandDB {
			continue
		}
		t := f
		t.bands = slices.Delete(slices.Clone(f.bands), i, i+1)
		if t = c.settle(t); c.rms(t) < c.rms(f)+bandWorthDB {
			f, i = t, -1
		}
	}
	return f
}

// falls tells whether the lowest part is so much softer that there is a highpass.
func (c curve) falls() bool {
	var low, body []float64
	for i, b := range c.band {
		switch {
		case b.Mid < 60:
			low = append(low, c.db[i])
		case b.Mid > 150 && b.Mid < 300:
			body = append(body, c.db[i])
		}
	}
	return len(low) > 0 && middleOf(body)-middleOf(low) > fallDB
}

// withBest adds the one band that takes away the most of what is left, by its
// shape at 6 dB.
func (c curve) withBest(f curveFit) curveFit {
	left := make([]float64, len(c.db))
	for i := range left {
		left[i] = c.db[i] - f.at(c.band[i].Mid, c.rateHz)
	}
	best, most := curveBand{}, 0.0
	try := func(b curveBand) {
		const unit = 6.0
		b.db = unit
		s := b.sections(c.rateHz)
		var rr, rs, ss, r1, s1, n float64
		for i, w := range c.worth {
			g, _ := kernel.Response(s, c.band[i].Mid, c.rateHz)
			g /= unit
			rr += w * left[i] * left[i]
			rs += w * left[i] * g
			ss += w * g * g
			r1 += w * left[i]
			s1 += w * g
			n += w
		}
		rs -= r1 * s1 / n // a gain goes free beside it
		ss -= s1 * s1 / n
		if ss <= 0 {
			return
		}
		if taken := rs * rs / ss; taken > most {
			best, most = b, taken
			best.db = max(-mostShelfDB, min(mostShelfDB, rs/ss))
		}
	}
	for _, b := range c.band {
		if b.Mid < lowestBandHz {
			continue
		}
		for _, q := range []float64{0.5, 1, 2, 4, 8} {
			try(curveBand{"bell", b.Mid, 0, q})
		}
		try(curveBand{"low-shelf", b.Mid, 0, 1})
		try(curveBand{"high-shelf", b.Mid, 0, 1})
	}
	f.bands = append(append([]curveBand(nil), f.bands...), best)
	return f
}

// settle moves all that a fit has to where the least is left.
func (c curve) settle(f curveFit) curveFit {
	knobs := []knob{dbKnob(f.gainDB, -60, 60)}
	if f.slope > 0 {
		knobs = append(knobs, hzKnob(f.cutoffHz, 15, 400))
	}
	if len(f.bands) > 0 {
		knobs = append(knobs, c.bounded(eqModule(f.bands, c.rateHz).knobs)...)
	}
	read := func(v []float64) curveFit {
		t := curveFit{slope: f.slope, gainDB: v[0]}
		v = v[1:]
		if f.slope > 0 {
			t.cutoffHz, v = hzOf(v[0]), v[1:]
		}
		for i, b := range f.bands {
			t.bands = append(t.bands, curveBand{b.shape, hzOf(v[3*i]), v[3*i+1], hzOf(v[3*i+2])})
		}
		return t
	}
	left := func(v []float64) ([]float64, error) {
		t := read(v)
		out := make([]float64, len(c.db))
		for i, b := range c.band {
			out[i] = c.db[i] - t.at(b.Mid, c.rateHz)
		}
		return out, nil
	}
	s := search{knobs: knobs, left: func(v []float64, _ int) ([]float64, error) { return left(v) }, worth: c.worth, boundDB: 1.5, rounds: 12, enough: 1e-6, hands: 1}
	if err := s.run(); err != nil {
		return f
	}
	return read(s.values())
}

// bounded are the knobs of bands within what the curve allows.
func (c curve) bounded(knobs []knob) []knob {
	for i := range knobs {
		k := &knobs[i]
		switch {
		case i%3 == 1 && c.mostDB > 0:
			k.low, k.high = -c.mostDB, c.mostDB
		case i%3 == 2 && c.mostQ > 0:
			k.high = min(k.high, octaves(c.mostQ))
		}
		k.at = max(k.low, min(k.high, k.at))
	}
	return knobs
}

// at is the fit's gain at a frequency, dB.
func (f curveFit) at(hz, rateHz float64) float64 {
	sum := f.gainDB
	if f.slope > 0 {
		if s, err := filter.Highpass(f.cutoffHz, f.slope, rateHz); err == nil {
			g, _ := kernel.Response(s, hz, rateHz)
			sum += max(-60, g)
		}
	}
	for _, b := range f.bands {
		g, _ := kernel.Response(b.sections(rateHz), hz, rateHz)
		sum += g
	}
	return sum
}

// robust sets the gain of a fit to the middle of what is left and gives what is
// left then, without the worst.
func (c curve) robust(f *curveFit) float64 {
	var sum, n float64
	for i, b := range c.band {
		if b.Mid > 150 {
			sum += c.worth[i] * (c.db[i] - f.at(b.Mid, c.rateHz))
			n += c.worth[i]
		}
	}
	f.gainDB = sum / n
	e := 0.0
	for i, b := range c.band {
		e += c.worth[i] * min(3, math.Abs(c.db[i]-f.at(b.Mid, c.rateHz)))
	}
	return e
}

// rms is what a fit leaves, dB.
func (c curve) rms(f curveFit) float64 {
	var sum, n float64
	for i, b := range c.band {
		d := c.db[i] - f.at(b.Mid, c.rateHz)
		sum += c.worth[i] * d * d
		n += c.worth[i]
	}
	return math.Sqrt(sum / n)
}

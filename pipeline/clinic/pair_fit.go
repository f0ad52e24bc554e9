package clinic

import (
	"math"
	"runtime"
	"slices"
)

// A candidate is a chain whose settings are looked for, and the gain beside it.
type candidate struct {
	gain    knob // dB, by which the finished is louder than the chain's output
	modules []module
}

// module is that of a name, nil if there is none.
func (c *candidate) module(name string) *module {
	for i := range c.modules {
		if c.modules[i].name == name {
			return &c.modules[i]
		}
	}
	return nil
}

// without is the candidate without a stage.
func (c candidate) without(name string) candidate {
	c.modules = slices.DeleteFunc(slices.Clone(c.modules), func(m module) bool { return m.name == name })
	return c
}

// put is the candidate with a stage in the place of another of its name, or
// behind the stage before; before "" is in front.
func (c candidate) put(m module, before string) candidate {
	c.modules = slices.Clone(c.modules)
	for i := range c.modules {
		if c.modules[i].name == m.name {
			c.modules[i] = m
			return c
		}
	}
	at := 0
	for i := range c.modules {
		if c.modules[i].name == before {
			at = i + 1
		}
	}
	c.modules = slices.Insert(c.modules, at, m)
	return c
}

// values are the gain and all knobs.
func (c candidate) values() []float64 {
	v := []float64{c.gain.at}
	for _, m := range c.modules {
		v = append(v, m.values()...)
	}
	return v
}

// with is the candidate with other values.
func (c candidate) with(v []float64) candidate {
	c.gain.at = v[0]
	v = v[1:]
	c.modules = slices.Clone(c.modules)
	for i, m := range c.modules {
		c.modules[i] = m.with(v[:len(m.knobs)])
		v = v[len(m.knobs):]
	}
	return c
}

// A fitter compares what chains make of the raw with the finished.
type fitter struct {
	*bench
	hands []*hand
	worth []float64 // of each difference
}

// A hand renders, and keeps what each stage gave last, for most changes come late
// in a chain.
type hand struct {
	frames, long *bandScale
	steps        []step
	values       [][]float64
	outs         []stretched // one for each place in a chain; those of steps hold
}

const (
	pairBoundDB  = 1.0 // from which on a difference counts less
	longWorth    = 0.4 // of all sixth octaves of speech, against all frames
	toneWorth    = 0.5 // of a frame in which nobody speaks
	stageWorth   = 0.02
	pairRounds   = 6
	pairEnoughDB = 0.015 // RMS that nobody hears and rounding hides
	pairGoodDB   = 0.12  // and from which on other choices are tried
	stageClearDB = 0.2   // by which a stage is worth it without a look
	pairMostHand = 4
)

func newFitter(b *bench) *fitter {
	f := &fitter{bench: b}
	for range max(1, min(pairMostHand, runtime.GOMAXPROCS(0))) {
		h := &hand{}
		h.frames, h.long = b.g.scales()
		f.hands = append(f.hands, h)
	}
	for i := range b.g.at {
		w := toneWorth
		if b.g.speech[i] {
			w = 1
		}
		for range b.g.band {
			f.worth = append(f.worth, w)
		}
	}
	for range b.g.long {
		f.worth = append(f.worth, longWorth*float64(len(b.g.at)*len(b.g.band))/float64(len(b.g.long)))
	}
	return f
}

// render is the raw through a candidate's stages. The result holds until the
// hand renders again, and must not be written to.
func (f *fitter) render(c candidate, h *hand) (stretched, error) {
	x := f.x
	same := true
	for i, m := range c.modules {
		s, v := m.now(), m.values()
		same = same && i < len(h.steps) && h.steps[i].stage == m.name && slices.Equal(h.values[i], v) && sameShape(h.steps[i], s)
		if same {
			x = h.outs[i]
			continue
		}
		if i == len(h.outs) {
			h.outs = append(h.outs, nil)
		}
		h.steps, h.values = h.steps[:min(i, len(h.steps))], h.values[:min(i, len(h.values))]
		y, err := f.through(h.outs[i], x, s)
		if err != nil {
			return nil, err
		}
		h.outs[i] = y
		h.steps, h.values = append(h.steps, s), append(h.values, v)
		x = y
	}
	return x, nil
}

// sameShape tells whether two steps differ in knobs alone, of which values tell.
func sameShape(a, b step) bool {
	if len(a.items) != len(b.items) || len(a.params) != len(b.params) {
		return false
	}
	return a.params.String() == b.params.String() && slices.EqualFunc(a.items, b.items, func(a, b fields) bool { return a.String() == b.String() })
}

// left is what a candidate leaves, dB: finished less what the chain makes, by
// frame and band, then by sixth octave of speech.
func (f *fitter) left(c candidate, hand int) ([]float64, error) {
	h := f.hands[hand]
	y, err := f.render(c, h)
	if err != nil {
		return nil, err
	}
	levels, long := f.g.listen(y, h.frames, h.long)
	out := make([]float64, 0, len(f.worth))
	for i, row := range levels {
		for b, db := range row {
			want := f.g.levels[i][b]
			if want < pairNilDB { // nothing is there, however little
				out = append(out, min(0, pairNilDB-db-c.gain.at))
				continue
			}
			out = append(out, want-db-c.gain.at)
		}
	}
	for b, db := range long {
		if f.g.longDB[b] < pairNilDB {
			out = append(out, 0)
			continue
		}
		out = append(out, f.g.longDB[b]-db-c.gain.at)
	}
	return out, nil
}

// search moves a candidate's knobs, all or those of some stages, and tells what
// it costs then.
func (f *fitter) search(c candidate, rounds int, only ...string) (candidate, float64, error) {
	all := c.values()
	var free []int
	knobs := []knob{c.gain}
	free = append(free, 0)
	at := 1
	for _, m := range c.modules {
		for i, k := range m.knobs {
			if len(only) == 0 || slices.Contains(only, m.name) {
				free, knobs = append(free, at+i), append(knobs, k)
			}
		}
		at += len(m.knobs)
	}
	spread := func(v []float64) candidate {
		w := slices.Clone(all)
		for i, at := range free {
			w[at] = v[i]
		}
		return c.with(w)
	}
	s := search{knobs: knobs, worth: f.worth, boundDB: pairBoundDB, rounds: rounds, enough: pairEnoughDB * pairEnoughDB, hands: len(f.hands),
		left: func(v []float64, hand int) ([]float64, error) { return f.left(spread(v), hand) }}
	if err := s.run(); err != nil {
		return c, math.Inf(1), err
	}
	return spread(s.values()), s.cost, nil
}

// cost is what a candidate costs as it stands.
func (f *fitter) cost(c candidate) (float64, error) {
	left, err := f.left(c, 0)
	if err != nil {
		return math.Inf(1), err
	}
	s := search{worth: f.worth, boundDB: pairBoundDB}
	return s.huber(left), nil
}

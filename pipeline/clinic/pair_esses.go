package clinic

import "math"

const (
	essLowestHz, essHighestHz = 4500.0, 11000.0 // where a de-esser is looked for
	essCutDB                  = 4.0             // that it is begun with
	essWorthDB                = 0.04            // less that has to be left for it, RMS
)

// deEssed is the candidate with the de-esser that leaves the least where esses
// are, of several beginnings, c's own among them; without one where that is
// hardly less. Esses are few: in all frames together a de-esser that seldom works
// is hidden by what else is left.
func (f *fitter) deEssed(c candidate) (candidate, error) {
	g := f.inEsses()
	best := c.without("de-esser")
	if len(best.modules) == 0 {
		return c, nil
	}
	bare, err := g.cost(best)
	if err != nil {
		return c, err
	}
	last := best.modules[len(best.modules)-1].name
	var tries []candidate
	if c.module("de-esser") != nil {
		tries = append(tries, c)
	}
	for _, over := range []float64{-14, -11, -8, -5} {
		tries = append(tries, best.put(deEsserModule(5500, 9800, over, essCutDB, float64(f.g.rateHz)), last))
	}
	least := bare
	for _, t := range tries {
		t, cost, err := g.search(t, pairRounds, "de-esser")
		if err != nil {
			return c, err
		}
		if cost < least && math.Sqrt(bare)-math.Sqrt(cost) > essWorthDB {
			best, least = t, cost
		}
	}
	best.gain = c.gain
	return best, nil
}

// inEsses is the fitter that counts nothing but the range of esses, in the frames
// of speech that have most there.
func (f *fitter) inEsses() *fitter {
	g := *f
	g.worth = make([]float64, len(f.worth))
	top, _ := f.tops(f.sight())
	loud := share(top, essShare)
	spoken := 0
	for i := range f.g.at {
		if !f.g.speech[i] {
			continue
		}
		if spoken++; top[spoken-1] <= loud {
			continue
		}
		for b, band := range f.g.band {
			if band.Mid > essLowestHz && band.Mid < essHighestHz {
				g.worth[i*len(f.g.band)+b] = 1
			}
		}
	}
	return &g
}

package main

import (
	"fmt"
	"slices"

	"chapterhouse/pipeline"
	"chapterhouse/testdata/voices/plant"
)

// A grade is a kind at one of its levels.
type grade struct {
	kind, level string
}

// A count is how often a grade was planted and what became of it.
type count struct {
	planted, found int
	above          int       // of those found: above the fold, a person must hear it
	offS           []float64 // of each found
}

func (c count) share() float64 { return float64(c.found) / float64(max(1, c.planted)) }

// String is the figures of a row.
func (c count) String() string {
	if c.planted == 0 {
		return "none planted"
	}
	low, _ := wilson(c.found, c.planted)
	text := fmt.Sprintf("%3d of %3d, %5.1f %% (95 %%: over %.1f)", c.found, c.planted, 100*c.share(), 100*low)
	if c.found == 0 {
		return text
	}
	slices.Sort(c.offS)
	return text + fmt.Sprintf(", %d for an ear, %.0f ms off", c.above, 1000*c.offS[len(c.offS)/2])
}

// alarms are findings where nothing was planted, of one check.
type alarms struct {
	returns, listens, notices int
	natural                   int // of any weight, at what was there unplanted
}

func (a *alarms) add(w pipeline.Verdict) {
	switch w {
	case pipeline.Return:
		a.returns++
	case pipeline.Listen:
		a.listens++
	default:
		a.notices++
	}
}

// A tally is what came out of some readings.
type tally struct {
	grades map[grade]count
	alarms map[string]alarms // by check
	hours  float64           // of clean narration
	ears   []string          // each alarm for an ear, in words
}

func newTally() tally { return tally{grades: map[grade]count{}, alarms: map[string]alarms{}} }

// score counts what was found of a scene's plants.
func (t *tally) score(s plant.Scene, found []pipeline.Finding) {
	all := namings()
	for _, p := range s.Plants {
		g := grade{p.Kind, p.Level}
		c := t.grades[g]
		c.planted++
		best, hit, above := 0.0, false, false
		for _, f := range found {
			if off, named := all[p.Kind].off(f, p.Places, s.RateHz); named {
				if !hit || off < best {
					best = off
				}
				hit, above = true, above || f.Weight != pipeline.Ready
			}
		}
		if hit {
			c.found++
			c.offS = append(c.offS, best)
		}
		if above {
			c.above++
		}
		t.grades[g] = c
	}
}

// alarm counts what was found in narration that nothing was planted in; what
// says which it was.
func (t *tally) alarm(what string, s plant.Scene, found []pipeline.Finding) {
	all := namings()
	for _, f := range found {
		a := t.alarms[f.Check]
		natural := false
		for _, p := range s.Natural {
			_, named := all[p.Kind].off(f, p.Places, s.RateHz)
			natural = natural || named
		}
		if natural {
			a.natural++
		} else {
			a.add(f.Weight)
			if f.Weight != pipeline.Ready {
				t.ears = append(t.ears, fmt.Sprintf("%s at %.2f s: %s, %s (%s)", what, f.StartS, f.Check, f.Measured, f.Weight))
			}
		}
		t.alarms[f.Check] = a
	}
}

// join adds what came out of other readings.
func (t *tally) join(o tally) {
	for g, c := range o.grades {
		sum := t.grades[g]
		sum.planted, sum.found, sum.above = sum.planted+c.planted, sum.found+c.found, sum.above+c.above
		sum.offS = append(sum.offS, c.offS...)
		t.grades[g] = sum
	}
	for name, a := range o.alarms {
		sum := t.alarms[name]
		sum.returns, sum.listens, sum.notices, sum.natural = sum.returns+a.returns, sum.listens+a.listens, sum.notices+a.notices, sum.natural+a.natural
		t.alarms[name] = sum
	}
	t.hours += o.hours
	t.ears = append(t.ears, o.ears...)
}

// sum is all checks' alarms.
func (t *tally) sum() (all alarms) {
	for _, a := range t.alarms {
		all.returns, all.listens, all.notices, all.natural = all.returns+a.returns, all.listens+a.listens, all.notices+a.notices, all.natural+a.natural
	}
	return all
}

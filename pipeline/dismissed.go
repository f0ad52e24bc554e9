package pipeline

import (
	"math"
	"slices"
	"strings"
)

// A Tally is what became of what one check found for an ear in a narrator's
// chapters: how much of it a person's decisions lifted.
type Tally struct {
	Check     string `json:"check"`
	Found     int    `json:"found"`
	Dismissed int    `json:"dismissed"`
	// Of the findings with a figure in one unit: the limit, the figures of those
	// that were dismissed, nearest to it first, and the nearest of those that stand.
	Unit   string    `json:"unit,omitempty"`
	Limit  float64   `json:"limit,omitempty"`
	Values []float64 `json:"values,omitempty"`
	Kept   *float64  `json:"kept,omitempty"`
}

// maxTallied bounds the figures of a tally.
const maxTallied = 64

// Tallies counts a narrator's chapters of a judged run, check by check. What
// several specs say of one place counts once.
func Tallies(o Outcome, narrator string) []Tally {
	var all []Tally
	for _, ch := range o.Chapters {
		for i, f := range ch.Findings {
			bare := f
			bare.Spec = ""
			again := slices.ContainsFunc(ch.Findings[:i], func(g Finding) bool {
				g.Spec = ""
				return g.Weight != Ready && g.Same(bare)
			})
			if f.Weight == Ready || again || ch.NarratorOf(f) != narrator {
				continue
			}
			t := Tally{Check: f.Check, Found: 1}
			if f.Unit != "" && !math.IsNaN(f.Value) && !math.IsInf(f.Value, 0) {
				t.Unit, t.Limit = f.Unit, f.LimitValue
			}
			switch {
			case f.Accepted != "":
				t.Dismissed = 1
				if t.Unit != "" {
					t.Values = []float64{f.Value}
				}
			case t.Unit != "":
				t.Kept = &f.Value
			}
			all = append(all, t)
		}
	}
	return AddTallies(all)
}

// NarratorOf is whose a finding is: of its source's part, or of the whole
// chapter's where one narrator alone reads it. Empty: nobody's alone.
func (c ChapterOutcome) NarratorOf(f Finding) string {
	who := map[string]bool{}
	for _, p := range c.Parts {
		if f.Source == "" || p.Source == f.Source {
			who[p.Voice.Narrator] = true
		}
	}
	if len(who) == 1 {
		for one := range who {
			return one
		}
	}
	return ""
}

// AddTallies makes one of all those of a check, in the order of checks. Of
// several limits the last stands; figures of another unit are left out.
func AddTallies(all []Tally) []Tally {
	var out []Tally
	for _, t := range all {
		i := slices.IndexFunc(out, func(o Tally) bool { return o.Check == t.Check })
		if i < 0 {
			i, out = len(out), append(out, Tally{Check: t.Check, Unit: t.Unit, Limit: t.Limit})
		}
		sum := &out[i]
		sum.Found, sum.Dismissed = sum.Found+t.Found, sum.Dismissed+t.Dismissed
		if sum.Unit == "" {
			sum.Unit = t.Unit
		}
		if t.Unit == "" || t.Unit != sum.Unit {
			continue
		}
		sum.Limit = t.Limit
		sum.Values = append(slices.Clone(sum.Values), t.Values...)
		if t.Kept != nil && (sum.Kept == nil || math.Abs(*t.Kept-t.Limit) < math.Abs(*sum.Kept-t.Limit)) {
			sum.Kept = t.Kept
		}
	}
	for i := range out {
		t := &out[i]
		slices.SortFunc(t.Values, func(a, b float64) int {
			switch x, y := math.Abs(a-t.Limit), math.Abs(b-t.Limit); {
			case x < y:
				return -1
			case x > y:
				return 1
			}
			return 0
		})
		t.Values = t.Values[:min(len(t.Values), maxTallied)]
	}
	slices.SortFunc(out, func(a, b Tally) int { return strings.Compare(a.Check, b.Check) })
	return out
}

// A Dismissal says how often a narrator's findings of a check are dismissed, and
// which limit would have spared how many of those and none that stands. It is
// for people to decide on: nothing sets a limit by it.
type Dismissal struct {
	Narrator  string  `json:"narrator,omitempty"`
	Check     string  `json:"check"`
	Found     int     `json:"found"`
	Dismissed int     `json:"dismissed"`
	Spared    int     `json:"spared,omitempty"` // 0: no limit would do
	Limit     float64 `json:"limit,omitempty"`
	Unit      string  `json:"unit,omitempty"`
}

// leastDismissed is how many dismissals say something of a limit.
const leastDismissed = 3

// Dismissals are those of the checks that a narrator had findings dismissed of.
func Dismissals(narrator string, tallies []Tally) (out []Dismissal) {
	for _, t := range tallies {
		if t.Dismissed == 0 {
			continue
		}
		d := Dismissal{Narrator: narrator, Check: t.Check, Found: t.Found, Dismissed: t.Dismissed}
		if t.Dismissed >= leastDismissed {
			if limit, spared := t.sparing(); spared >= leastDismissed {
				d.Limit, d.Spared, d.Unit = limit, spared, t.Unit
			}
		}
		out = append(out, d)
	}
	return out
}

// sparing is the roundest limit that spares as many of the dismissed as can be
// spared without sparing any that stands.
func (t Tally) sparing() (limit float64, spared int) {
	if len(t.Values) == 0 {
		return 0, 0
	}
	sign := 1.0 // of limits that are not to be exceeded
	if t.Values[len(t.Values)-1] < t.Limit {
		sign = -1
	}
	kept := math.Inf(1)
	if t.Kept != nil {
		kept = sign * *t.Kept
	}
	most := math.Inf(-1)
	for _, v := range t.Values {
		if s := sign * v; s < kept {
			most = max(most, s)
		}
	}
	if most < sign*t.Limit {
		return 0, 0 // they were not found for their figure
	}
	for _, step := range []float64{1, 0.5, 0.1, 0.01} {
		at := math.Round(math.Ceil(most/step-1e-9)*step*100) / 100
		if at >= kept {
			continue
		}
		for _, v := range t.Values {
			if sign*v <= at {
				spared++
			}
		}
		return sign * at, spared
	}
	return 0, 0
}

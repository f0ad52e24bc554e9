package clinic

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"chapterhouse/dsp/room"
)

// How a resonance is matched to a side.
const (
	sideNear  = 0.03 // off the frequency of rigid walls
	sideReal  = 0.05 // by which damped rooms with walls that give way miss it: *common practice*
	sideAlike = 0.06 // within which two sides, or a multiple, are not told apart
)

// A side is the distance between two walls.
type side struct {
	name        string
	short, long float64 // m: inside the panels, and from wall to wall
}

// sides are those that the form gives, and the speed of sound between them.
type sides struct {
	all []side
	c   float64
}

// A standing is what makes a resonance; no sides: nothing that is known.
type standing struct {
	sides []string // the nearest first
	says  string
}

// sidesOf are the sides of a form's booth. Sound comes back partly from a panel's
// face and partly from the wall behind it, so both distances count, and what lies
// between.
func sidesOf(f Form) sides {
	b := f.As.Booth
	out := sides{c: room.SpeedOfSound(f.TemperatureC)}
	panels := 2 * (b.PanelMM + b.GapMM) / 1000
	for _, s := range []side{{"width", b.WidthM, b.WidthM}, {"depth", b.DepthM, b.DepthM}, {"height", b.HeightM, b.HeightM}} {
		switch {
		case s.long <= 0:
			continue
		case f.Inside:
			s.long += panels
		case panels < s.short/2:
			s.short -= panels
		}
		out.all = append(out.all, s)
	}
	return out
}

// off is how far a frequency is from the nearest standing wave of a side, as a
// share, and how many half waves that has.
func (s sides) off(x side, hz float64) (share float64, n int) {
	low, high := s.c/2/x.long, s.c/2/x.short
	share = math.Inf(1)
	for k := max(1, int(hz/high)); float64(k)*low < 2*hz; k++ {
		from, to := float64(k)*low, float64(k)*high
		if d := max(from/hz-1, 1-to/hz, 0); d < share {
			share, n = d, k
		}
	}
	return share, n
}

// at is what makes a resonance: the sides within 3 % of it, or the nearest within
// 5 %, and those that can't be told from them.
func (s sides) at(hz float64) (out standing) {
	type match struct {
		side
		off float64
		n   int
	}
	var all []match
	for _, x := range s.all {
		off, n := s.off(x, hz)
		all = append(all, match{x, off, n})
	}
	slices.SortStableFunc(all, func(a, b match) int { return cmp.Compare(a.off, b.off) })
	if len(all) == 0 || all[0].off > sideReal {
		return standing{}
	}
	first := all[0]
	for i, m := range all {
		if i == 0 || m.off <= sideNear || m.off <= sideNear+sideAlike && alike(m.side, first.side) {
			out.sides = append(out.sides, m.name)
		}
	}
	out.says = fmt.Sprintf("lies %.1f %% off the standing wave of %s along the %s, by the form's measures", 100*first.off, plural(first.n, "half wave", "half waves"), first.name)
	return out
}

// alike tells whether two sides are as long as each other, or one a multiple of
// the other.
func alike(a, b side) bool {
	ratio := max(a.long, b.long) / min(a.long, b.long)
	return math.Abs(ratio/math.Round(ratio)-1) <= sideAlike
}

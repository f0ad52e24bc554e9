package meter

import (
	"math"
	"slices"
)

// How a family is followed from window to window.
const (
	courseBack    = 30       // windows that a gap may be long
	courseHz      = 0.03     // a family may be off by between two windows
	courseDriftHz = 0.4 / 60 // and a second
	courseShare   = 0.3      // of the windows that can tell: fewer are no hum
	courseAlone   = 3        // lines, where there are two windows or fewer
	loudWindow    = 30.0     // power ratio to the middle window: no pause in it
)

// follow is the course of the family that most speaks for through all windows
// (dynamic programming; Viterbi 1967), or none.
func follow(windows []mainsWindowFound, rateHz int) []MainsPoint {
	telling := quiet(windows)
	type node struct {
		sum        float64
		from, with int // window and family before; -1: none
	}
	nodes := make([][]node, len(telling))
	best, bestWindow, bestFamily := 0.0, -1, -1
	for i, w := range telling {
		nodes[i] = make([]node, len(w.families))
		for f, family := range w.families {
			n := node{0, -1, -1}
			for j := max(0, i-courseBack); j < i; j++ {
				mayHz := courseHz + float64(courseDriftHz*(w.at-telling[j].at).Seconds(rateHz))
				for g, before := range telling[j].families {
					if nodes[j][g].sum > n.sum && math.Abs(before.hz-family.hz) <= mayHz {
						n = node{nodes[j][g].sum, j, g}
					}
				}
			}
			n.sum += family.score
			nodes[i][f] = n
			if n.sum > best {
				best, bestWindow, bestFamily = n.sum, i, f
			}
		}
	}
	var points []MainsPoint
	lines := 0
	for i, f := bestWindow, bestFamily; i >= 0; i, f = nodes[i][f].from, nodes[i][f].with {
		family := telling[i].families[f]
		points = append(points, MainsPoint{At: telling[i].at, Hz: roundedHz(family.hz)})
		lines += int(family.lines)
	}
	slices.Reverse(points)
	n := float64(len(points))
	if n < courseShare*float64(len(telling)) || len(telling) <= 2 && float64(lines) < courseAlone*n || len(telling) > 2 && n < 2 {
		return nil
	}
	return points
}

// roundedHz keeps a ten-thousandth of a hertz.
func roundedHz(hz float64) float64 { return math.Round(hz*1e4) / 1e4 }

// quiet leaves out the windows that hold no pause: what is steady in them may be
// a voice.
func quiet(windows []mainsWindowFound) []mainsWindowFound {
	if len(windows) == 0 {
		return nil
	}
	var soft []float64
	for _, w := range windows {
		soft = append(soft, w.soft)
	}
	slices.Sort(soft)
	most := loudWindow * soft[len(soft)/4]
	return slices.DeleteFunc(slices.Clone(windows), func(w mainsWindowFound) bool { return w.soft > most })
}

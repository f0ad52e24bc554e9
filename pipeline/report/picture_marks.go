package report

import (
	"math"
	"slices"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/series"
)

const (
	maxMarks   = 40 // in a picture; the most urgent ones
	markWidth  = 21.0
	markHeight = 18.0
	leader     = 9.0 // between a place and its mark
	spotWidth  = 150.0
)

// fileTime is where a source's second stands in a file.
func fileTime(bodies []series.Body, source pipeline.Digest, atS float64) (float64, bool) {
	for _, b := range bodies {
		if d := atS - b.SourceS; b.Source == source && d >= -0.005 && d <= b.LengthS+0.005 {
			return b.FileS + d, true
		}
	}
	return 0, false
}

// A mark is a numbered finding at its place in a file.
type mark struct {
	number  int
	weight  string
	urgency int
	atS     float64
	toS     float64
}

// marks draws the places of findings in a lane between two rows: a bar on both
// at the true place, and a number between them, moved aside where two would
// overlap. Its shape tells its weight. It returns how many had no room.
func (t *timeline) marks(all []mark) (without int) {
	if len(all) > maxMarks {
		without = len(all) - maxMarks
		all = slices.Clone(all)
		slices.SortStableFunc(all, func(a, b mark) int { return a.urgency - b.urgency })
		all = all[:maxMarks]
	}
	all = slices.Clone(all)
	slices.SortStableFunc(all, func(a, b mark) int {
		switch {
		case a.atS < b.atS:
			return -1
		case a.atS > b.atS:
			return 1
		}
		return a.number - b.number
	})
	var at []float64
	for _, m := range all {
		at = append(at, (t.x(m.atS)+t.x(m.toS))/2)
	}
	top := t.y
	mid := top + 3 + leader + markHeight/2
	bottom := mid + markHeight/2 + 4
	var bars, leaders string
	boxes := map[string]string{}
	labels := spread(at, markWidth, timeLeft-8, timeRight+8)
	for i, m := range all {
		x0, x1 := t.x(m.atS), t.x(m.toS)
		if x1-x0 < 2 {
			x0, x1 = (x0+x1)/2-1, (x0+x1)/2+1
		}
		for _, y := range []float64{top, bottom} {
			bars += sprintf("M%s %sh%sv4h-%sz", coordinate(x0), coordinate(y), coordinate(x1-x0), coordinate(x1-x0))
		}
		x := labels[i]
		leaders += sprintf("M%s %sL%s %s", coordinate(at[i]), coordinate(top+4), coordinate(x), coordinate(mid-markHeight/2))
		boxes[m.weight] += box(m.weight, x, mid)
	}
	t.path("mb", bars)
	t.path("ld", leaders)
	for _, w := range []string{"accepted", "notice", "listen", "return"} { // the urgent ones on top
		t.path("m"+w[:1], boxes[w])
	}
	for i, m := range all {
		t.text("x"+m.weight[:1], labels[i], mid+4.2, sprintf("%d", m.number))
	}
	t.y = bottom + 4
	return without
}

// box is a mark's outline: a square to return, a lozenge to listen to, a ring
// for a notice, a line under what was accepted.
func box(weight string, x, y float64) string {
	w, h := markWidth/2-1, markHeight/2
	switch weight {
	case "return":
		return sprintf("M%s %sh%sv%sh-%sz", coordinate(x-w), coordinate(y-h), coordinate(2*w), coordinate(2*h), coordinate(2*w))
	case "listen":
		return sprintf("M%s %sl%s %sl-%s %sl-%s -%sz", coordinate(x), coordinate(y-h-2), coordinate(w+2.5), coordinate(h+2), coordinate(w+2.5), coordinate(h+2), coordinate(w+2.5), coordinate(h+2))
	case "notice":
		return sprintf("M%s %sa%s %s 0 1 0 %s 0a%s %s 0 1 0 -%s 0", coordinate(x-h), coordinate(y), coordinate(h), coordinate(h), coordinate(2*h), coordinate(h), coordinate(h), coordinate(2*h))
	}
	return across(x-w+2, x+w-2, y+h-2)
}

// spots draws where the file is loudest, quietest and sharpest: 3 s each.
func (t *timeline) spots(r pipeline.FileRecord) {
	type spot struct {
		at   pipeline.Spot
		name string
	}
	all := []spot{{r.Loudest, minus(sprintf("loudest %.1f LUFS", float64(r.Loudest.DB)))}, {r.Quietest, minus(sprintf("quietest %.1f LUFS", float64(r.Quietest.DB)))}, {r.Sharpest, minus(sprintf("sharpest %.1f dB", float64(r.Sharpest.DB)))}}
	all = slices.DeleteFunc(all, func(s spot) bool { return s.at == pipeline.Spot{} || math.IsNaN(float64(s.at.DB)) })
	if len(all) == 0 {
		return
	}
	slices.SortStableFunc(all, func(a, b spot) int {
		if a.at.AtS < b.at.AtS {
			return -1
		}
		return 1
	})
	top := t.y - rowGap + 2
	var at []float64
	bars, leaders := "", ""
	for _, s := range all {
		x0, x1 := t.x(s.at.AtS), t.x(s.at.AtS+3)
		at = append(at, (x0+x1)/2)
		bars += sprintf("M%s %sv4H%sv-4", coordinate(x0), coordinate(top), coordinate(max(x1, x0+2)))
	}
	labels := spread(at, spotWidth, timeLeft-8, timeRight+8)
	for i, s := range all {
		leaders += sprintf("M%s %sL%s %s", coordinate(at[i]), coordinate(top+4), coordinate(labels[i]), coordinate(top+10))
		t.text("t", labels[i], top+20, s.name)
	}
	t.path("sb", bars)
	t.path("ld", leaders)
	t.y = top + 26
}

package report

import (
	"math"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
)

// overview draws the title chapter by chapter, as one spec's files measure: the
// level in its window, and the noise floor under its limit. What is missing is
// crossed.
func (b builder) overview() picture {
	if len(b.r.Specs) == 0 || len(b.r.Chapters) < 2 {
		return picture{}
	}
	spec := b.r.Specs[0]
	const left, right, height, gap = timeLeft, timeRight, 66.0, 22.0
	p := picture{W: timeWidth, Label: sprintf("level and noise floor of every chapter's file, %s", spec.Spec)}
	n := float64(len(b.r.Chapters))
	x := func(i int) float64 { return left + (right-left)*(float64(i)+0.5)/n }
	r := max(2, min(5, (right-left)/n*0.45))
	top := 14.0
	row := func(name, unit string, low, high float64, lines, grid []float64, value func(pipeline.ChapterOutcome) (float64, bool)) {
		y := func(v float64) float64 { return top + height*min(max((high-v)/(high-low), 0), 1) }
		p.text("n", 0, top+13, name)
		p.text("k", 0, top+27, unit)
		for _, v := range lines {
			p.path("l", across(left, right, y(v)))
			p.text("a", left-5, y(v)+4, minus(sprintf("%g", v)))
		}
		for _, v := range grid {
			p.path("v", across(left, right, y(v)))
			p.text("a", left-5, y(v)+4, minus(sprintf("%g", v)))
		}
		p.path("f", down(left, top, top+height))
		of := map[pipeline.Verdict]string{}
		missing := ""
		for i, ch := range b.r.Chapters {
			v, ok := value(ch)
			switch {
			case ch.Hole != "":
				missing += sprintf("M%s %sl%s %sm0 -%sl-%s %s", coordinate(x(i)-r), coordinate(top+height-2*r), coordinate(2*r), coordinate(2*r), coordinate(2*r), coordinate(2*r), coordinate(2*r))
			case ok && !math.IsNaN(v):
				of[ch.Verdict] += dot(ch.Verdict, x(i), y(v), r)
			}
		}
		p.path("ld", missing)
		p.path("pr", of[pipeline.Ready])
		p.path("pl", of[pipeline.Listen])
		p.path("mr", of[pipeline.Return])
		top += height + gap
	}
	w := spec.Sound.Level.Window
	margin := (w[1] - w[0]) * 0.3
	row("level", spec.Sound.Level.Unit(), w[0]-margin, w[1]+margin, w[:], nil, func(ch pipeline.ChapterOutcome) (float64, bool) {
		f, ok := fileOf(ch, spec.Spec)
		if !ok {
			return 0, false
		}
		return check.Beside(spec, ch.Role, check.FactsOf(f.Record))[0].Measured, true
	})
	var limits []float64
	if limit := float64(spec.Limits.NoiseFloorDBFS); limit != 0 {
		limits = []float64{limit}
	}
	row("noise floor", "dBFS", -90, -40, limits, []float64{-80}, func(ch pipeline.ChapterOutcome) (float64, bool) {
		f, ok := fileOf(ch, spec.Spec)
		return float64(f.Record.Floor.Median), ok && f.Record.Floor.Windows > 0 && ch.Role != pipeline.RoleAsset
	})
	for _, i := range ticks(0, n-1, 20, 1, 2, 5, 10, 20, 50, 100, 200) {
		p.text("t", x(int(i)), top-6, sprintf("%d", b.r.Chapters[int(i)].Number))
	}
	p.text("k", 0, top-6, "chapter")
	p.H = int(top)
	return p
}

// dot is a ring for a ready chapter, a lozenge for one to listen to, a square
// for one to return.
func dot(v pipeline.Verdict, x, y, r float64) string {
	switch v {
	case pipeline.Return:
		return sprintf("M%s %sh%sv%sh-%sz", coordinate(x-r), coordinate(y-r), coordinate(2*r), coordinate(2*r), coordinate(2*r))
	case pipeline.Listen:
		r *= 1.4
		return sprintf("M%s %sl%s %sl-%s %sl-%s -%sz", coordinate(x), coordinate(y-r), coordinate(r), coordinate(r), coordinate(r), coordinate(r), coordinate(r), coordinate(r))
	}
	return sprintf("M%s %sa%s %s 0 1 0 %s 0a%s %s 0 1 0 -%s 0", coordinate(x-r), coordinate(y), coordinate(r), coordinate(r), coordinate(2*r), coordinate(r), coordinate(r), coordinate(2*r))
}

package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

const (
	clipRun   = 3    // samples that stay at one extreme value
	clipFloor = 0.5  // a flat top under half of full scale is no converter's clipping
	clipJoinS = 0.5  // places closer than this are one
	clipSame  = 1e-7 // relative: what a converter holds, it holds exactly
)

func clipped() Check {
	return Check{
		Name: "clipped",
		Doc: "Three or more samples in a row that stay at one extreme value of at least -6 dBFS: the " +
			"converter or an earlier program ran out of room, and the wave is cut flat. Processing can't " +
			"bring it back. Record the line again with less gain.",
		Listen: func(rateHz int) Listener { return &clipListener{rateHz: rateHz} },
	}
}

type clipListener struct {
	rateHz int
	at     dsp.Frames
	last   float64
	run    int
	places []clipPlace
}

type clipPlace struct {
	from, to dsp.Frames
	samples  int
	peak     float64
}

func (l *clipListener) Hear(x []float64) {
	for _, v := range x {
		if a := math.Abs(v); a >= clipFloor && math.Abs(v-l.last) <= clipSame*a {
			l.run++
		} else {
			l.end()
			l.run = 1
		}
		l.last = v
		l.at++
	}
}

// end takes note of a flat top that has just ended.
func (l *clipListener) end() {
	if l.run < clipRun {
		return
	}
	from, n := l.at-dsp.Frames(l.run), len(l.places)
	if n > 0 && (from-l.places[n-1].to).Seconds(l.rateHz) < clipJoinS {
		p := &l.places[n-1]
		p.to, p.samples, p.peak = l.at, p.samples+l.run, max(p.peak, math.Abs(l.last))
		return
	}
	l.places = append(l.places, clipPlace{from, l.at, l.run, math.Abs(l.last)})
}

func (l *clipListener) Heard() []Stretch {
	l.end()
	l.run = 0
	var out []Stretch
	for _, p := range l.places {
		out = append(out, Stretch{
			From: p.from, To: p.to, Weight: pipeline.Listen,
			Measured: fmt.Sprintf("%d samples cut flat at %.1f dBFS", p.samples, 20*math.Log10(p.peak)),
			Limit:    "none",
			Do:       "listen whether it is heard; if so, ask for the line again with less gain",
		})
	}
	return out
}

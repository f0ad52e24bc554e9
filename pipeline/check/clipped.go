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
	// clipCorner is how far off a neighbour of a flat top must lie. Rounding to
	// 16 bits makes three equal samples of a whole wave's top too, at low tones
	// and high rates; a parabola's neighbours then lie at most 4 steps below.
	clipCorner = 4.5 / 32768
	// clipSure is how many flat samples a place needs below the recording's own
	// extreme: chance makes three equal ones of a noisy top now and then,
	// hardly twice within clipJoinS.
	clipSure = 6
)

func clipped() Check {
	return Check{
		Name: "clipped",
		Doc: "Three or more samples in a row that stay at one extreme value of at least -6 dBFS, with a corner " +
			"where the wave meets it: the converter or an earlier program ran out of room, and the wave is cut flat. Processing can't " +
			"bring it back. Record the line again with less gain.",
		Listen: func(p Part) Listener { return &clipListener{rateHz: p.RateHz} },
	}
}

type clipListener struct {
	rateHz int
	at     dsp.Frames
	before float64 // the sample before the run
	last   float64
	run    int
	low    float64 // of all samples
	high   float64
	places []clipPlace
}

type clipPlace struct {
	from, to  dsp.Frames
	samples   int
	low, high float64 // of the flat tops
}

func (l *clipListener) Hear(x []float64) {
	for _, v := range x {
		if a := math.Abs(v); a >= clipFloor && math.Abs(v-l.last) <= clipSame*a {
			l.run++
		} else {
			l.end(v)
			l.run, l.before = 1, l.last
		}
		l.last = v
		l.low, l.high = min(l.low, v), max(l.high, v)
		l.at++
	}
}

// end takes note of a flat top that has just ended before the sample next.
func (l *clipListener) end(next float64) {
	if l.run < clipRun || max(math.Abs(l.last-l.before), math.Abs(l.last-next)) <= clipCorner {
		return
	}
	from, n := l.at-dsp.Frames(l.run), len(l.places)
	if n > 0 && (from-l.places[n-1].to).Seconds(l.rateHz) < clipJoinS {
		p := &l.places[n-1]
		p.to, p.samples, p.low, p.high = l.at, p.samples+l.run, min(p.low, l.last), max(p.high, l.last)
		return
	}
	l.places = append(l.places, clipPlace{from, l.at, l.run, l.last, l.last})
}

func (l *clipListener) Heard() []Stretch {
	l.end(l.last)
	l.run = 0
	var out []Stretch
	for _, p := range l.places {
		extreme := p.low < 0 && p.low <= l.low*(1-clipSame) || p.high > 0 && p.high >= l.high*(1-clipSame)
		if p.samples < clipSure && !extreme {
			continue
		}
		out = append(out, Stretch{
			From: p.from, To: p.to, Weight: pipeline.Listen,
			Measured: fmt.Sprintf("%d samples cut flat at %.1f dBFS", p.samples, 20*math.Log10(max(-p.low, p.high))),
			Limit:    "none", Value: float64(p.samples), Unit: "samples",
			Do: "listen whether it is heard; if so, ask for the line again with less gain",
		})
	}
	return out
}

package report

import (
	"math"

	"chapterhouse/pipeline/series"
)

// Measures of a picture over time, in its own units.
const (
	timeWidth  = 1000
	timeLeft   = 124.0 // names and scales stand left of it
	timeRight  = 990.0
	waveHeight = 72 // a unit for a decibel
	gainHeight = 30
	rowGap     = 9.0
	axisHeight = 20.0

	waveColumns = 800 // about one for each pixel of a screen's width
	sideColumns = 400 // in pictures that stand beside the first
	gainColumns = 320
)

// A timeline lays rows of one file's time under each other.
type timeline struct {
	picture
	lengthS float64
	y       float64 // where the next row begins
	top     float64
}

func newTimeline(label string, lengthS float64) *timeline {
	return &timeline{picture: picture{W: timeWidth, Label: label}, lengthS: max(lengthS, series.StepS), y: 14, top: 14}
}

func (t *timeline) x(s float64) float64 {
	return timeLeft + (timeRight-timeLeft)*min(max(s/t.lengthS, 0), 1)
}

// A run is a stretch of a trace as it stands in the file.
type run struct {
	values []float32
	atS    float64 // file time of the first value
	fromS  float64 // what is shown of it, file time
	toS    float64
}

// whole is a trace of the file itself.
func whole(values []float32, lengthS float64) []run {
	return []run{{values: values, toS: min(lengthS, float64(len(values))*series.StepS)}}
}

// columns calls draw for each column that a run covers, with the least, the
// mean and the highest of the values in it; silence counts as lowest.
func (r run) columns(n int, lengthS, lowest float64, draw func(column int, low, mean, high float64)) {
	width := lengthS / float64(n)
	last := min(n-1, int(math.Ceil(r.toS/width-1e-6))-1)
	for c := int(r.fromS/width + 1e-6); c <= last; c++ {
		from, to := max(float64(c)*width, r.fromS), min(float64(c+1)*width, r.toS)
		i := int((from-r.atS)/series.StepS + 1e-6)
		end := min(len(r.values), max(i+1, int(math.Ceil((to-r.atS)/series.StepS-1e-6))))
		if i < 0 || i >= end {
			continue
		}
		low, high, sum := math.Inf(1), math.Inf(-1), 0.0
		for _, v := range r.values[i:end] {
			x := max(float64(v), lowest)
			low, high, sum = min(low, x), max(high, x), sum+x
		}
		draw(c, low, sum/float64(end-i), high)
	}
}

// fit is how many columns a row has: no more than it has values.
func (t *timeline) fit(columns int) int {
	return max(1, min(columns, int(t.lengthS/series.StepS)))
}

// wave draws levels from the ground up: how high they go in a column, and
// within it how high they are in the mean.
func (t *timeline) wave(name, note, class string, columns int, runs []run) {
	n := t.fit(columns)
	var peak, mean pen
	ground := waveHeight
	level := func(db float64) int { return int(math.Round(min(max(-db, 0), float64(ground)))) }
	for _, r := range runs {
		first, last := -1, 0
		var high, middle int
		r.columns(n, t.lengthS, -waveHeight, func(c int, _, m, h float64) {
			high, middle = level(h), level(m)
			if first < 0 {
				first = c
				peak.moveTo(c, high)
				mean.moveTo(c, middle)
			} else {
				peak.lineTo(c, high)
				mean.lineTo(c, middle)
			}
			last = c
		})
		if first < 0 {
			continue
		}
		peak.lineTo(last+1, high)
		mean.lineTo(last+1, middle)
		peak.closeAt(first, ground)
		mean.closeAt(first, ground)
	}
	unit := (timeRight - timeLeft) / float64(n)
	t.stretched(class+"p", peak.String(), timeLeft, t.y, unit)
	t.stretched(class+"m", mean.String(), timeLeft, t.y, unit)
	t.text("n", 0, t.y+13, name)
	t.text("k", 0, t.y+27, note)
	for db := 0; db <= waveHeight; db += 24 {
		t.text("a", timeLeft-5, t.y+float64(db)+4, minus(sprintf("%d", -db)))
	}
	t.path("f", down(timeLeft, t.y, t.y+waveHeight)+across(timeLeft, timeRight, t.y+waveHeight))
	t.y += waveHeight + rowGap
}

// ceiling is a level across the last wave, and said beside it.
func (t *timeline) ceiling(db float64, note string) {
	top := t.y - rowGap - waveHeight
	t.path("l", across(timeLeft, timeRight, top-db))
	t.text("k", 0, top+41, note)
}

// A gainScale is the range that all of a chapter's gains are drawn in.
type gainScale struct{ down, up float64 }

// scaleOf is the least of some round ranges that holds all gains.
func scaleOf(all ...[]run) gainScale {
	low, high := 0.0, 0.0
	for _, runs := range all {
		for _, r := range runs {
			for _, v := range r.values {
				if x := float64(v); x > -60 { // what is silent has no gain
					low, high = min(low, x), max(high, x)
				}
			}
		}
	}
	holds := func(v float64) float64 {
		for _, s := range []float64{0, 3, 6, 12, 18, 24, 36} {
			if v <= s+0.05 {
				return s
			}
		}
		return 60
	}
	s := gainScale{down: holds(-low), up: holds(high)}
	if s.down+s.up == 0 {
		s.down = 3
	}
	return s
}

// gain draws how far a gain goes from 0 dB in a column, and its mean.
func (t *timeline) gain(name, note string, s gainScale, runs []run) {
	n := t.fit(gainColumns)
	level := func(db float64) int {
		return int(math.Round(min(max((s.up-db)/(s.up+s.down)*gainHeight, 0), gainHeight)))
	}
	var far, mean pen
	for _, r := range runs {
		first, last := -1, 0
		var furthest, middle int
		r.columns(n, t.lengthS, -s.down, func(c int, low, m, high float64) {
			if -low < high {
				low = high
			}
			furthest, middle = level(low), level(m)
			if first < 0 {
				first = c
				far.moveTo(c, furthest)
				mean.moveTo(c, middle)
			} else {
				far.lineTo(c, furthest)
				mean.lineTo(c, middle)
			}
			last = c
		})
		if first < 0 {
			continue
		}
		far.lineTo(last+1, furthest)
		mean.lineTo(last+1, middle)
		far.closeAt(first, level(0))
	}
	unit := (timeRight - timeLeft) / float64(n)
	t.stretched("gp", far.String(), timeLeft, t.y, unit)
	t.stretched("gm", mean.String(), timeLeft, t.y, unit)
	t.text("n", 0, t.y+12, name)
	t.text("k", 0, t.y+26, note)
	for _, db := range []float64{s.up, 0, -s.down} {
		if db != 0 || s.up == 0 || s.down == 0 || s.up == s.down {
			y := min(max(float64(level(db))+4, 9), gainHeight) // inside its own row
			t.text("a", timeLeft-5, t.y+y, minus(sprintf("%.0f", db)))
		}
	}
	t.path("f", down(timeLeft, t.y, t.y+gainHeight)+across(timeLeft, timeRight, t.y+float64(level(0))))
	t.y += gainHeight + rowGap
}

// axis ends the picture with the file's time.
func (t *timeline) axis() picture {
	lines := ""
	for i, s := range ticks(0, t.lengthS, 11, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200) {
		x := t.x(s)
		lines += down(x, t.top, t.y)
		switch label := minuteClock(s); {
		case x > timeRight-20:
			t.text("e", timeRight, t.y+13, label)
		case i == 0:
			t.text("s", x, t.y+13, label)
		default:
			t.text("t", x, t.y+13, label)
		}
	}
	t.Shapes = append([]shape{{Class: "v", D: lines}}, t.Shapes...) // behind all others
	t.text("k", 0, t.y+13, "time in the file")
	t.H = int(math.Ceil(t.y + axisHeight))
	return t.picture
}

// minuteClock is a whole second of an axis as h:mm:ss.
func minuteClock(s float64) string {
	n := int(math.Round(s))
	if n >= 3600 {
		return sprintf("%d:%02d:%02d", n/3600, n/60%60, n%60)
	}
	return sprintf("%d:%02d", n/60, n%60)
}

package report

import (
	"math"
	"strconv"
	"strings"
)

// A picture is an SVG in its own units, drawn shape by shape. Shapes carry a
// class and no colour: the page's style tells what it looks like on a screen
// and in print.
type picture struct {
	W, H   int
	Label  string // what a person who can't see it is told
	Shapes []shape
}

// shape is a path, or a text at a place.
type shape struct {
	Class     string
	D         string // path
	Transform string
	X, Y      string
	Text      string
}

func (p *picture) path(class, d string) {
	if d != "" {
		p.Shapes = append(p.Shapes, shape{Class: class, D: d})
	}
}

// stretched is a path whose unit to the right is so many units of the picture,
// from x and y on.
func (p *picture) stretched(class, d string, x, y, unit float64) {
	if d != "" {
		p.Shapes = append(p.Shapes, shape{Class: class, D: d, Transform: "translate(" + coordinate(x) + " " + coordinate(y) + ")scale(" + strconv.FormatFloat(unit, 'g', 5, 64) + " 1)"})
	}
}

func (p *picture) text(class string, x, y float64, s string) {
	p.Shapes = append(p.Shapes, shape{Class: class, X: coordinate(x), Y: coordinate(y), Text: s})
}

// coordinate is a number with at most one decimal.
func coordinate(v float64) string {
	return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64)
}

func across(x0, x1, y float64) string {
	return "M" + coordinate(x0) + " " + coordinate(y) + "H" + coordinate(x1)
}

func down(x, y0, y1 float64) string {
	return "M" + coordinate(x) + " " + coordinate(y0) + "V" + coordinate(y1)
}

// A pen writes a path of whole steps in few letters: relative moves, those of
// one slope in one.
type pen struct {
	out    strings.Builder
	x, y   int
	dx, dy int // of the move that is held back
	line   bool
}

func (p *pen) moveTo(x, y int) {
	p.flush()
	p.out.WriteString("M" + strconv.Itoa(x) + " " + strconv.Itoa(y))
	p.x, p.y, p.line = x, y, false
}

// lineTo goes to a point that lies to the right.
func (p *pen) lineTo(x, y int) {
	dx, dy := x-p.x, y-p.y
	if p.dx > 0 && dy*p.dx == p.dy*dx {
		p.dx, p.dy = p.dx+dx, p.dy+dy
	} else {
		p.flush()
		p.dx, p.dy = dx, dy
	}
	p.x, p.y = x, y
}

func (p *pen) flush() {
	if p.dx == 0 {
		return
	}
	switch {
	case !p.line:
		p.out.WriteByte('l')
	default:
		p.out.WriteByte(' ')
	}
	p.line = true
	p.out.WriteString(strconv.Itoa(p.dx))
	if p.dy >= 0 {
		p.out.WriteByte(' ')
	}
	p.out.WriteString(strconv.Itoa(p.dy))
	p.dx, p.dy = 0, 0
}

// closeAt ends an area, begun at from, on the line it stands on or hangs from.
func (p *pen) closeAt(from, y int) {
	p.flush()
	p.out.WriteString("V" + strconv.Itoa(y) + "H" + strconv.Itoa(from) + "z")
	p.line = false
}

func (p *pen) String() string {
	p.flush()
	return p.out.String()
}

// spread moves labels of one width, given by their middles in rising order, as
// little as keeps them from overlapping (least squares, by pooling neighbours)
// and between left and right where there is room.
func spread(at []float64, width, left, right float64) []float64 {
	type pool struct {
		sum float64 // of each one's place less those of the labels before it
		n   int
	}
	var pools []pool
	for i, x := range at {
		pools = append(pools, pool{x - float64(i)*width, 1})
		for k := len(pools) - 1; k > 0 && pools[k-1].sum/float64(pools[k-1].n) >= pools[k].sum/float64(pools[k].n); k-- {
			pools[k-1] = pool{pools[k-1].sum + pools[k].sum, pools[k-1].n + pools[k].n}
			pools = pools[:k]
		}
	}
	out := make([]float64, 0, len(at))
	most := right - width/2 - float64(len(at)-1)*width // the first one's place where all stand at the right
	for _, p := range pools {
		x := max(left+width/2, min(p.sum/float64(p.n), most))
		for range p.n {
			out = append(out, x+float64(len(out))*width)
		}
	}
	return out
}

// ticks are the multiples in [from, to] of the first of the steps, from the
// smallest on, that makes no more than most of them.
func ticks(from, to float64, most int, steps ...float64) []float64 {
	step := steps[len(steps)-1]
	for _, s := range steps {
		if (to-from)/s <= float64(most) {
			step = s
			break
		}
	}
	var out []float64
	for k := math.Ceil(from/step - 1e-9); k*step <= to+1e-9; k++ {
		out = append(out, k*step)
	}
	return out
}

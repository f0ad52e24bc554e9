package report

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/series"
)

// points reads a path of the letters M, l, V, H, z back into its corners.
func points(t *testing.T, d string) (out [][2]int) {
	t.Helper()
	var x, y int
	number := func() int {
		d = strings.TrimLeft(d, " ")
		n := 1
		for n < len(d) && d[n] >= '0' && d[n] <= '9' {
			n++
		}
		v, err := strconv.Atoi(d[:n])
		if err != nil {
			t.Fatalf("%v before %q", err, d)
		}
		d = d[n:]
		return v
	}
	for letter := byte(0); d != ""; {
		if strings.ContainsRune("MlVHz", rune(d[0])) {
			letter, d = d[0], d[1:]
		}
		switch letter {
		case 'M':
			x, y = number(), number()
		case 'l':
			x, y = x+number(), y+number()
		case 'V':
			y = number()
		case 'H':
			x = number()
		case 'z':
			continue
		default:
			t.Fatalf("a path begins %q", d)
		}
		out = append(out, [2]int{x, y})
	}
	return out
}

// TestPen: a path goes through every corner that it was given.
func TestPen(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 200 {
		var p pen
		var want [][2]int
		x, y := rng.IntN(9), rng.IntN(9)
		p.moveTo(x, y)
		want = append(want, [2]int{x, y})
		for range 1 + rng.IntN(30) {
			x, y = x+1+rng.IntN(2), max(0, y+rng.IntN(5)-2)
			p.lineTo(x, y)
			want = append(want, [2]int{x, y})
		}
		got := points(t, p.String())
		if got[0] != want[0] || got[len(got)-1] != want[len(want)-1] {
			t.Fatalf("%v became %v", want, got)
		}
		for _, w := range want { // each lies on the path, a corner or between two
			on := slices.ContainsFunc(slices.Collect(pairs(got)), func(s [2][2]int) bool {
				a, b := s[0], s[1]
				return w[0] >= a[0] && w[0] <= b[0] && (w[1]-a[1])*(b[0]-a[0]) == (b[1]-a[1])*(w[0]-a[0])
			})
			if !on {
				t.Fatalf("%v is not on %v", w, got)
			}
		}
	}
}

func pairs(all [][2]int) func(func([2][2]int) bool) {
	return func(yield func([2][2]int) bool) {
		for i := 1; i < len(all); i++ {
			if !yield([2][2]int{all[i-1], all[i]}) {
				return
			}
		}
	}
}

// TestSpread: labels keep their order and distance, stay inside, stay at their
// places where nothing is in the way, and move no further than they must.
func TestSpread(t *testing.T) {
	for _, c := range []struct{ at, want []float64 }{
		{nil, nil},
		{[]float64{50}, []float64{50}},
		{[]float64{20, 60, 90}, []float64{20, 60, 90}},
		{[]float64{50, 50}, []float64{45, 55}},
		{[]float64{0, 0, 50}, []float64{5, 15, 50}},
		{[]float64{99, 100}, []float64{85, 95}},
		{[]float64{48, 50, 52, 90}, []float64{40, 50, 60, 90}},
	} {
		if got := spread(c.at, 10, 0, 100); !slices.Equal(got, c.want) {
			t.Errorf("%v: %v, not %v", c.at, got, c.want)
		}
	}
	rng := rand.New(rand.NewPCG(8, 1))
	for range 500 {
		var at []float64
		for range rng.IntN(40) {
			at = append(at, 880*rng.Float64()*rng.Float64())
		}
		slices.Sort(at)
		got := spread(at, 21, 0, 880)
		for i := range got {
			if got[i] < 10.5-1e-9 || got[i] > 869.5+1e-9 || i > 0 && got[i]-got[i-1] < 21-1e-9 {
				t.Fatalf("label %d of %v is at %v", i, at, got)
			}
		}
	}
}

// TestColumns: every value is seen in one column at least, at its time, and a
// column tells the least and the highest of what it covers.
func TestColumns(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	for range 300 {
		n := 1 + rng.IntN(900)
		values := make([]float32, n)
		for i := range values {
			values[i] = -60
		}
		peak := rng.IntN(n)
		values[peak] = -3
		atS := math.Round(rng.Float64()*500) / 100
		lengthS := atS + float64(n)*series.StepS + math.Round(rng.Float64()*300)/100
		columns := max(1, min(80, int(lengthS/series.StepS)))
		r := run{values: values, atS: atS, fromS: atS, toS: atS + float64(n)*series.StepS}
		seen := false
		r.columns(columns, lengthS, -72, func(c int, low, mean, high float64) {
			width := lengthS / float64(columns)
			from, to := float64(c)*width-series.StepS, float64(c+1)*width+series.StepS
			at := atS + float64(peak)*series.StepS
			if high == -3 {
				seen = true
				if at < from-1e-6 || at > to+1e-6 {
					t.Fatalf("the peak at %v s is drawn from %v to %v s", at, from, to)
				}
			}
			if low > mean || mean > high || c < 0 || c >= columns {
				t.Fatalf("column %d of %d: %v %v %v", c, columns, low, mean, high)
			}
		})
		if !seen {
			t.Fatalf("the peak at value %d of %d is in no column of %d", peak, n, columns)
		}
	}
}

// TestWaveIsTrue: the highest point of a drawn wave is at the loudest time, and
// as high as it is loud.
func TestWaveIsTrue(t *testing.T) {
	const lengthS = 120.0
	values := make([]float32, int(lengthS/series.StepS))
	for i := range values {
		values[i] = float32(math.Inf(-1))
	}
	values[int(90/series.StepS)] = -12
	line := newTimeline("", lengthS)
	top := line.y
	line.wave("", "", "r", waveColumns, whole(values, lengthS))
	var d, move string
	for _, s := range line.Shapes {
		if s.Class == "rp" {
			d, move = s.D, s.Transform
		}
	}
	var x, y, scale float64
	if _, err := fmt.Sscanf(move, "translate(%f %f)scale(%f 1)", &x, &y, &scale); err != nil {
		t.Fatal(err)
	}
	best := [2]int{0, waveHeight + 1}
	for _, p := range points(t, d) {
		if p[1] < best[1] {
			best = p
		}
	}
	if got, want := x+float64(best[0])*scale, line.x(90); math.Abs(got-want) > 2 {
		t.Errorf("the peak is drawn at %v, not %v", got, want)
	}
	if best[1] != 12 || y != top {
		t.Errorf("it is drawn %d dB down from %v", best[1], y)
	}
}

// TestFileTime: a place in a source is found in the file through the bodies,
// and is nowhere where it was left out.
func TestFileTime(t *testing.T) {
	a, b := pipeline.DigestOf([]byte("a")), pipeline.DigestOf([]byte("b"))
	bodies := []series.Body{{Source: a, FileS: 0.75, SourceS: 2, LengthS: 10}, {Source: b, FileS: 11.5, SourceS: 0, LengthS: 5}, {Source: a, FileS: 17, SourceS: 30, LengthS: 4}}
	for _, c := range []struct {
		source pipeline.Digest
		atS    float64
		want   float64
		ok     bool
	}{{a, 2, 0.75, true}, {a, 7, 5.75, true}, {a, 12, 10.75, true}, {a, 1.9, 0, false}, {a, 20, 0, false}, {a, 31, 18, true}, {b, 5, 16.5, true}, {pipeline.DigestOf([]byte("c")), 3, 0, false}} {
		if got, ok := fileTime(bodies, c.source, c.atS); ok != c.ok || math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%v s: %v %v", c.atS, got, ok)
		}
	}
}

// TestMarks: no two numbers overlap, each finding has its bar at its true time,
// and what has no room is the least urgent.
func TestMarks(t *testing.T) {
	line := newTimeline("", 100)
	var all []mark
	for i := range 50 {
		all = append(all, mark{number: i + 1, weight: "notice", urgency: 2, atS: 30 + 0.1*float64(i), toS: 30 + 0.1*float64(i)})
	}
	all[49].weight, all[49].urgency = "return", 0
	if without := line.marks(all); without != 10 {
		t.Errorf("%d without a mark", without)
	}
	var at []float64
	urgent := false
	for _, s := range line.Shapes {
		switch {
		case s.Text != "":
			x, _ := strconv.ParseFloat(s.X, 64)
			at = append(at, x)
			urgent = urgent || s.Text == "50" && s.Class == "xr"
		case s.Class == "mb":
			if n := strings.Count(s.D, "M"); n != 80 {
				t.Errorf("%d bars", n)
			}
			if want := "M" + coordinate(line.x(30)-1) + " "; !strings.HasPrefix(s.D, want) {
				t.Errorf("the first bar begins %.20s, not %s", s.D, want)
			}
		}
	}
	slices.Sort(at)
	for i := 1; i < len(at); i++ {
		if at[i]-at[i-1] < markWidth-0.11 {
			t.Errorf("numbers at %v and %v overlap", at[i-1], at[i])
		}
	}
	if len(at) != maxMarks || !urgent {
		t.Errorf("%d numbers, the urgent one among them: %v", len(at), urgent)
	}
}

// TestSpectraAreTrue: bands stand over their frequencies and at their levels,
// as far as the scale reaches.
func TestSpectraAreTrue(t *testing.T) {
	bands := make(pipeline.Spectrum, len(spectrum.SixthOctaves()))
	for i := range bands {
		bands[i] = -60
	}
	bands[34] = -25 // the band above 1 kHz
	p := spectra("", curve{class: "ca", name: "x", bands: bands, addDB: 5})
	var d string
	labels := map[string][2]float64{}
	for _, s := range p.Shapes {
		if s.Class == "ca" && d == "" {
			d = s.D
		}
		x, _ := strconv.ParseFloat(s.X, 64)
		y, _ := strconv.ParseFloat(s.Y, 64)
		labels[s.Text] = [2]float64{x, y - 4}
	}
	low := [2]float64{0, 1e9}
	for corner := range strings.SplitSeq(strings.TrimPrefix(d, "M"), "L") {
		var x, y float64
		if _, err := fmt.Sscanf(corner, "%f %f", &x, &y); err != nil {
			t.Fatal(err)
		}
		if y < low[1] {
			low = [2]float64{x, y}
		}
	}
	if x := labels["1k"][0]; low[0] < x || low[0] > x+6 {
		t.Errorf("the band above 1 kHz is drawn at %v, 1 kHz at %v", low[0], x)
	}
	if y := labels["−20"][1]; math.Abs(low[1]-y) > 0.2 {
		t.Errorf("-25 dBFS and 5 dB are drawn at %v, -20 dBFS at %v", low[1], y)
	}
	if p := spectra("", curve{bands: bands[:3]}, curve{}); len(p.Shapes) > 0 {
		t.Error("a picture of nothing")
	}
}

// at is where the shapes of a class and the texts of a picture stand.
func at(t *testing.T, p picture, class string) (corner [2]float64, labels map[string][2]float64) {
	t.Helper()
	labels = map[string][2]float64{}
	for _, s := range p.Shapes {
		if s.Text != "" {
			x, _ := strconv.ParseFloat(s.X, 64)
			y, _ := strconv.ParseFloat(s.Y, 64)
			labels[s.Text] = [2]float64{x, y}
		} else if s.Class == class { // the last one: what comes before is the key
			if _, err := fmt.Sscanf(s.D, "M%f %f", &corner[0], &corner[1]); err != nil {
				t.Fatal(err)
			}
		}
	}
	return corner, labels
}

// TestFloorsAreTrue: a delivered floor stands over its figure.
func TestFloorsAreTrue(t *testing.T) {
	r, _ := long(1, 10, 0, 0, 1)
	r.Chapters[0].Files[0].Record.Floor.Median = -50
	disc, labels := at(t, floors(builder{r: r}, r.Chapters[0]), "po")
	if want := labels["−50"][0]; math.Abs(disc[0]+5.5-want) > 0.2 {
		t.Errorf("-50 dBFS is drawn at %v, its label at %v", disc[0]+5.5, want)
	}
}

// TestOverviewIsTrue: a chapter stands over its number, at its level.
func TestOverviewIsTrue(t *testing.T) {
	r, _ := long(5, 10, 0, 0, 1)
	ch := &r.Chapters[3]
	ch.Verdict, ch.Files[0].Record.Levels.RMS = pipeline.Return, -23
	ch.Files[0].Record.Floor.Windows = 0
	r.Chapters[1].Hole = "01.flac: is no audio"
	p := builder{r: r}.overview()
	square, labels := at(t, p, "mr")
	if want := labels["4"][0]; math.Abs(square[0]+5-want) > 0.2 {
		t.Errorf("chapter 4 is drawn at %v, its number at %v", square[0]+5, want)
	}
	if want := labels["−23"][1] - 4; math.Abs(square[1]+5-want) > 0.2 {
		t.Errorf("-23 dBFS is drawn at %v, its label at %v", square[1]+5, want)
	}
	if cross, labels := at(t, p, "ld"); math.Abs(cross[0]+5-labels["2"][0]) > 0.2 {
		t.Errorf("the missing chapter is crossed at %v", cross[0])
	}
	if p := (builder{}).overview(); len(p.Shapes) > 0 {
		t.Error("a picture of no title")
	}
}

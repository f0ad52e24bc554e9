package kernel

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// The rows were computed with the static curve of Giannoulis, Massberg and
// Reiss (JAES 60(6), 2012) and its mirror image with a range.
func TestCurvePublishedRows(t *testing.T) {
	f, err := os.Open("../../testdata/reference/dynamics_static.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	compressors, expanders := 0, 0
	for _, row := range rows[1:] {
		threshold, ratio, knee := number(row[1]), number(row[2]), number(row[3])
		var c Curve
		switch row[0] {
		case "compressor":
			compressors++
			c = Compression(threshold, ratio, knee, math.Inf(1))
		case "downward_expander":
			expanders++
			c = Expansion(threshold, ratio, knee, -number(row[4]))
		default:
			t.Fatalf("unknown kind %q", row[0])
		}
		in, want := number(row[5]), number(row[7])
		if got := c.GainDB(in); math.Abs(got-want) > 1e-6 {
			t.Errorf("%v: gain %.7f dB, want %.6f", row, got, want)
		}
	}
	if compressors < 80 || expanders < 30 {
		t.Errorf("only %d compressor and %d expander rows were checked", compressors, expanders)
	}
}

func TestCurveShape(t *testing.T) {
	for name, c := range map[string]Curve{
		"zero value":           {},
		"ratio 1":              Compression(-20, 1, 6, 40),
		"compression":          Compression(-20, 4, 6, math.Inf(1)),
		"compression, range":   Compression(-30, math.Inf(1), 0, 12),
		"expansion":            Expansion(-50, 2, 10, 24),
		"expansion, no range":  Expansion(-50, 3, 0, 0),
		"expansion, hard knee": Expansion(-45, 100, 0, 80),
	} {
		var steepest float64
		last := c.GainDB(-300)
		for l := -300.0; l <= 60; l += 1. / 64 {
			g := c.GainDB(l)
			if !(g <= 0) || math.Signbit(g) && g == 0 {
				t.Fatalf("%s: gain %g dB at %g dB", name, g, l)
			}
			if (g-last)*c.side > 0 {
				t.Fatalf("%s: not monotonic at %g dB", name, l)
			}
			steepest = math.Max(steepest, math.Abs(g-last)*64)
			last = g
		}
		if limit := c.slope + 1e-9; steepest > limit {
			t.Errorf("%s: %g dB per dB, want at most %g", name, steepest, limit)
		}
	}
}

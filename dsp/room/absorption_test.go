package room

import (
	"math"
	"regexp"
	"strings"
	"testing"
)

var octavesHz = []float64{125, 250, 500, 1000, 2000, 4000}

// TestAbsorption holds the model to the rows of the table that were computed from
// its source's coefficients, and prints how far laboratory values lie from it:
// their samples are finite, their resistivity is not known.
func TestAbsorption(t *testing.T) {
	gap := regexp.MustCompile(`^(\d+) mm gap$`)
	computed := 0
	for _, r := range reference(t, "absorption_mineral_wool.csv") {
		l := Layer{ThicknessM: number(t, r["thickness_mm"]) / 1000, FlowResistivity: 10000}
		if m := gap.FindStringSubmatch(r["mounting"]); m != nil {
			l.GapM = number(t, m[1]) / 1000
		}
		if strings.Contains(r["material"], "sigma=20000") {
			l.FlowResistivity = 20000
		}
		model := l.Random
		if strings.Contains(r["material"], "normal incidence") {
			model = l.Normal
		}
		var off []float64
		for i, column := range []string{"a125", "a250", "a500", "a1000", "a2000", "a4000"} {
			off = append(off, number(t, r[column])-model(octavesHz[i]))
		}
		if r["status"] != "computed" {
			t.Logf("%s, %s mm, %s (%s): laboratory less model %+.2f", r["material"], r["thickness_mm"], r["mounting"], r["status"], off)
			continue
		}
		computed++
		for i, v := range off {
			// Half a unit of the table's last place, and of the angle's step.
			if math.Abs(v) > 0.001 {
				t.Errorf("%s, %s mm at %g Hz: off by %.4f", r["material"], r["thickness_mm"], octavesHz[i], v)
			}
		}
	}
	if computed < 20 {
		t.Errorf("%d computed rows", computed)
	}
}

// TestLayer: what a layer takes is a share, a gap of no depth is none, and a gap
// helps where the layer alone is too thin.
func TestLayer(t *testing.T) {
	for _, l := range []Layer{{0.025, 0, 5000}, {0.05, 0.05, 10000}, {0.05, 0.3, 20000}, {0.2, 0.1, 30000}} {
		for hz := 40.0; hz < 8000; hz *= 1.03 {
			for _, a := range []float64{l.Normal(hz), l.Random(hz)} {
				if !(a > 0 && a <= 1) {
					t.Fatalf("%+v takes %g at %.0f Hz", l, a, hz)
				}
			}
		}
	}
	on, off := Layer{0.05, 0, 10000}, Layer{0.05, 0.1, 10000}
	within(t, "a gap of a thousandth of a millimetre", Layer{0.05, 1e-6, 10000}.Normal(500), on.Normal(500), 1e-4)
	if on.Random(250)*1.5 > off.Random(250) {
		t.Errorf("at 250 Hz 100 mm of air behind 50 mm take %.2f, without it %.2f", off.Random(250), on.Random(250))
	}
	// Half a wave of air behind a thin layer is a hard wall at its face again.
	thin := Layer{0.005, 0.3, 20000}
	if at := airSpeed / 2 / 0.3; thin.Normal(at) > 0.3*thin.Normal(at/2) {
		t.Errorf("half a wave behind it takes %.2f, a quarter %.2f", thin.Normal(at), thin.Normal(at/2))
	}
}

package clinic

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"chapterhouse/testdata/voices/narration"
	"chapterhouse/testdata/voices/testread"
)

// A naming is how a spoiled read is to be named: by a sign, of a kind, with a
// value from one figure to another; and its verdict.
type naming struct {
	fault      string
	sign, kind string
	from, to   float64
	verdict    Verdict
}

// TestSigns: of a read that nothing is wrong with every sign is good or can't be
// told; of one that is spoiled in one way the sign that is meant names it. The
// voice is one that no limit was chosen on; all voices are rows of the proof.
func TestSigns(t *testing.T) {
	rd := testread.Clean("wren", 9001)
	x, labels, err := rd.Record()
	if err != nil {
		t.Fatal(err)
	}
	clean := spoiled(t, rd, x, labels, testread.Fault{})
	if v, why := Judge(clean); v != Workable || !clean.Places.whole() {
		t.Errorf("a clean read is %s: %s; missing %q", v, why, clean.Places.Missing)
	}
	good := map[string]Sign{}
	for _, s := range clean.Signs {
		if good[s.Name] = s; s.Remedy != Good && s.Remedy != Unknown {
			t.Errorf("a clean read: %s is %s, %s", s.Name, s.Remedy, s.Says)
		}
		wellSaid(t, s)
	}
	pageS := func(from, to int) float64 { return 10 * math.Log10(meanSquare(x[from:to])) }(rd.Page(labels))
	missing := func(noiseDBFS float64) float64 { return noiseDBFS + (-20 - pageS) + 60 }
	for _, c := range []naming{
		{"fan", "floor", "fan", missing(-68) - 1.5, missing(-68) + 1.5, WithChanges},
		{"hum", "hum", "", 12, 40, ""},
		{"clipped", "clipping", "", 5, 200, NotYet},
		{"low mids", "low-mids", "", good["low-mids"].Value + 3, good["low-mids"].Value + 7, Workable},
		{"near", "proximity", "", good["proximity"].Value + 5, good["proximity"].Value + 11, Workable},
		{"gate", "gated", "", 16, 26, NotYet},
		{"noise reduction", "denoised", "", 10, 1000, NotYet},
		{"limiter", "limited", "", 5, 14, NotYet},
	} {
		r := spoiled(t, rd, x, labels, faultNamed(t, c.fault))
		for _, s := range r.signsNamed(c.sign) {
			wellSaid(t, s)
			if s.Remedy == Good || s.Remedy == Unknown || s.Kind != c.kind {
				t.Errorf("%s: %s is %s (%s): %s", c.fault, c.sign, s.Remedy, s.Kind, s.Says)
				continue
			}
			if s.Value < c.from || s.Value > c.to {
				t.Errorf("%s: %s is %.1f %s, want %.1f to %.1f", c.fault, c.sign, s.Value, s.Unit, c.from, c.to)
			}
		}
		if v, why := Judge(r); c.verdict != "" && v != c.verdict {
			t.Errorf("%s: %s, want %s: %s", c.fault, v, c.verdict, why)
		}
	}
}

// near8 is the form of a setup that is spoken into from 8 cm.
func near8() Form { return Form{DistanceCM: 8, TemperatureC: 20} }

func spoiled(t *testing.T, rd testread.Read, x []float64, l narration.Labels, f testread.Fault) *Read {
	t.Helper()
	return Hear(testread.Make(x, rd.RateHz, f.Spoils(rd, l)...), rd.RateHz, near8())
}

func faultNamed(t *testing.T, name string) testread.Fault {
	t.Helper()
	for _, f := range testread.Faults() {
		if f.Name == name {
			return f
		}
	}
	t.Fatalf("no fault is called %q", name)
	return testread.Fault{}
}

func meanSquare(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return sum / float64(len(x))
}

// wellSaid holds a sign to what a page can show: one sentence, a confidence, a unit
// beside every value.
func wellSaid(t *testing.T, s Sign) {
	t.Helper()
	switch {
	case s.Says == "" || strings.ContainsAny(s.Says, "!\n") || strings.Contains(s.Says, "NaN") || strings.Contains(s.Says, "Inf"):
		t.Errorf("%s says %q", s.Name, s.Says)
	case s.Confidence == "" || s.Remedy == "":
		t.Errorf("%s has no confidence or remedy: %+v", s.Name, s)
	case s.Value != 0 && s.Unit == "", math.IsNaN(s.Value), math.IsInf(s.Value, 0):
		t.Errorf("%s is %g of nothing", s.Name, s.Value)
	}
}

// TestSignsOfLittle: of next to nothing a diagnosis is made, and says what can't
// be told.
func TestSignsOfLittle(t *testing.T) {
	for _, rate := range []int{8000, 22050, 96000} {
		for name, x := range map[string][]float64{"silence": make([]float64, 3*rate), "a tone": sineAt(rate, 3), "a moment": sineAt(rate, 0.01), "nothing": {}} {
			t.Run(fmt.Sprintf("%s at %d Hz", name, rate), func(t *testing.T) {
				r := Hear(x, rate, Form{})
				for _, s := range r.Signs {
					wellSaid(t, s)
				}
				if v, why := Judge(r); v == "" || why == "" {
					t.Errorf("%q: %q", v, why)
				}
			})
		}
	}
}

// TestPrinted: what the form says was printed is held against what is heard.
func TestPrinted(t *testing.T) {
	flat, cut := make([]float64, 8193), make([]float64, 8193)
	for k := range flat {
		flat[k], cut[k] = 1e-9, 1e-9
		if hz := float64(k) * 44100 / 16384; hz < 70 {
			cut[k] = 1e-12
		}
	}
	for _, c := range []struct {
		printed string
		tone    []float64
		want    string
	}{
		{"a low cut at 80 Hz", cut, "the low cut that the form names is heard"},
		{"", cut, "something cut the lows on the way in"},
		{"a low cut at 80 Hz", flat, "look whether it was on"},
		{"", flat, ""},
		{"compressor 3:1", nil, ""},
	} {
		r := &Read{RateHz: 44100, heard: heard{tone: c.tone}}
		r.Form.As.Printed = c.printed
		if got := strings.Join(r.lowCut(), " "); (c.want == "") != (got == "") || !strings.Contains(got, c.want) {
			t.Errorf("%q: %q, want %q", c.printed, got, c.want)
		}
	}
	for _, c := range []struct{ printed, heard, unheard string }{
		{"", "the form names nothing", ""},
		{"Gate at -50 dB", "the form says so", "it was gentle, or was off"},
		{"compressor 3:1", "the form says nothing of it", ""},
	} {
		r := &Read{}
		r.Form.As.Printed = c.printed
		if got := r.printed("gate"); len(got) != 1 || !strings.Contains(got[0], c.heard) {
			t.Errorf("%q, and a gate is heard: %q", c.printed, got)
		}
		if got := strings.Join(r.unheard("gate"), " "); (got == "") != (c.unheard == "") || !strings.Contains(got, c.unheard) {
			t.Errorf("%q, and no gate is heard: %q", c.printed, got)
		}
	}
}

func sineAt(rateHz int, seconds float64) []float64 {
	x := make([]float64, int(seconds*float64(rateHz)))
	for i := range x {
		x[i] = 0.1 * math.Sin(2*math.Pi*220*float64(i)/float64(rateHz))
	}
	return x
}

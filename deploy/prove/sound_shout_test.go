package main

import (
	"io"
	"math"
	"testing"
)

// The figures of lines whose levels are known.
func TestShoutJudge(t *testing.T) {
	r := shoutResult{outP56: -22}
	for i := range 21 { // raw -30 to -10, out -28 to -18
		r.lines = append(r.lines, shoutLine{raw: -30 + float64(i), out: -28 + 0.5*float64(i), reduction: 0.2 * float64(i)})
	}
	r.judge()
	for name, v := range map[string][2]float64{
		"raw spread": {r.rawSpread, 18}, "spread": {r.out, 9}, "typical": {r.typical, 2}, "most": {r.most, 4}, "under": {r.under, 6},
		"turned": {float64(r.turned), 0}, "pairs": {float64(r.compare), 210},
	} {
		if math.Abs(v[0]-v[1]) > 1e-9 {
			t.Errorf("%s is %g, want %g", name, v[0], v[1])
		}
	}
	r.lines[20].out = -40
	r.turned, r.compare = 0, 0
	if r.judge(); r.turned != 20 || r.under != 18 {
		t.Errorf("the loudest line became the softest: %d turned, %.1f under", r.turned, r.under)
	}
}

// One voice's scene through its chain comes out nearer together, with the softest
// still the softest.
func TestShout(t *testing.T) {
	s, err := newSite(order{root: "../..", seed: 1}, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	voices, err := s.build(t.Context(), "./testdata/voices")
	if err != nil {
		t.Fatal(err)
	}
	program, err := s.build(t.Context(), "./cmd/chapterhouse")
	if err != nil {
		t.Fatal(err)
	}
	r, err := shout(t.Context(), s, voices, program, s.path("shout"), shoutReaders()[0], 1)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.lines) < 18 || r.rawSpread < 12 || r.out > 0.75*r.rawSpread || r.under > 10 || r.most > 8 || math.Abs(r.headDB) > 3 {
		t.Errorf("%d lines, spread %.1f to %.1f dB, quietest %.1f under, %.1f dB compressed, head %.1f", len(r.lines), r.rawSpread, r.out, r.under, r.most, r.headDB)
	}
}

package main

import (
	"math"
	"strings"
	"testing"
)

// falls are the rows of a table that are not met.
func falls(t table) string {
	var what []string
	for _, r := range t.rows {
		if r.limit != "" && !r.met {
			what = append(what, r.what)
		}
	}
	return strings.Join(what, "; ")
}

// TestClickRowsFall holds each limit from both sides.
func TestClickRowsFall(t *testing.T) {
	good := func() clickCount {
		found := func() map[float64]share {
			m := map[float64]share{}
			for _, over := range clickLevels() {
				m[over] = share{0, 100}
				if over >= clickFoundDB {
					m[over] = share{90, 100}
				}
			}
			return m
		}
		return clickCount{mouth: found(), ticks: found(), jumps: found(), stops: share{1, 100}, consonantsSeen: true, consonants: 1, change: 0.9e-5, same: true}
	}
	for _, tt := range []struct {
		fall  string
		spoil func(c *clickCount)
	}{
		{"", func(*clickCount) {}},
		{"", func(c *clickCount) { c.change = 0 }},
		{"mouth clicks at 15 dB", func(c *clickCount) { c.mouth[15] = share{89, 100} }},
		{"mouth clicks at 15 dB", func(c *clickCount) { c.mouth[15] = share{} }},
		{"spikes in speech at 20 dB", func(c *clickCount) { c.ticks[20] = share{89, 100} }},
		{"jumps in speech at 15 dB", func(c *clickCount) { c.jumps[15] = share{1, 100} }},
		{"stops touched", func(c *clickCount) { c.stops = share{2, 100} }},
		{"change within consonants", func(c *clickCount) { c.change = 1.1e-5 }},
		{"noise alone", func(c *clickCount) { c.same = false }},
	} {
		c := good()
		tt.spoil(&c)
		var printed, tuned table
		c.fill(&printed, "voices", true)
		c.fill(&tuned, "tuned on", false)
		if got := falls(printed); tt.fall == "" && got != "" || !strings.Contains(got, tt.fall) {
			t.Errorf("fallen: %q, want %q", got, tt.fall)
		}
		if got := falls(tuned); got != "" {
			t.Errorf("voices that were tuned on only tell, and %q fell", got)
		}
	}
}

// TestClickIsFound: what is left as it was is not found, what is clean again is,
// for each kind.
func TestClickIsFound(t *testing.T) {
	const at = 5000
	clean := make([]float64, 20000)
	for i := range clean {
		clean[i] = 0.001 * math.Sin(0.7*float64(i)*float64(1+i%3))
	}
	ring := make([]float64, clickSpan)
	jump := make([]float64, jumpFades)
	for i := range ring {
		ring[i] = math.Exp(-float64(i)/40) * math.Sin(0.5*float64(i))
	}
	for i := range jump {
		jump[i] = math.Exp(-float64(i) / 882)
	}
	for name, samples := range map[string][]float64{"mouth click": ring, "spike": {1}, "jump": jump} {
		x := append([]float64(nil), clean...)
		for i, v := range samples {
			x[at+i] += v
		}
		p := plantedClick{nil, at, samples}
		if p.found(x, x, clean, mouthBand(x), 0.02) {
			t.Errorf("a %s that nobody touched counts as found", name)
		}
		if !p.found(x, clean, clean, mouthBand(clean), 0.02) {
			t.Errorf("a %s that is gone doesn't count as found", name)
		}
	}
}

func TestRepairs(t *testing.T) {
	x, y := make([]float64, 5000), make([]float64, 5000)
	for _, i := range []int{100, 101, 150, 2000} { // 150 is within 2 ms of 101
		y[i] = 1
	}
	if got := repairs(x, y); len(got) != 2 || got[0] != [2]int{100, 151} || got[1] != [2]int{2000, 2001} {
		t.Errorf("%v", got)
	}
	if got := repairs(x, x); got != nil {
		t.Errorf("%v", got)
	}
}

// TestStageWithDefaults: a spike in a recording with speech and room tone is
// mended, and the rest keeps its bits.
func TestStageWithDefaults(t *testing.T) {
	clean := spoken(t)
	x := withNoise(clean, 50)
	for i := 20000; i < len(x)-20000; i += 30000 {
		x[i] += 0.5
	}
	y, err := throughStage(x, "clicks")
	if err != nil {
		t.Fatal(err)
	}
	mended := repairs(x, y)
	if want := (len(x) - 40000 + 29999) / 30000; len(mended) < want-1 || len(mended) > want+1 {
		t.Errorf("%d repairs of %d spikes", len(mended), want)
	}
	for _, m := range mended {
		if m[1]-m[0] > restorationHz/200 {
			t.Errorf("a repair of %d samples", m[1]-m[0])
		}
	}
}

package main

import (
	"strings"
	"testing"

	"chapterhouse/pipeline"
)

// aRound is a round in which every step but intake did something.
func aRound(lame, night float64) round {
	return round{lame: lame, night: night, steps: map[pipeline.Step]pipeline.Cost{
		pipeline.StepProfile: {CPUS: 0.1 * lame, AudioS: 100}, pipeline.StepWeigh: {CPUS: 0.4 * lame, AudioS: 100},
		pipeline.StepFile: {CPUS: 2 * lame, AudioS: 100}, pipeline.StepCheck: {CPUS: 0.1 * lame, AudioS: 100},
	}}
}

func TestSpeedIsHeld(t *testing.T) {
	for _, c := range []struct {
		name   string
		rounds []round
		want   bool
	}{
		{"no round", nil, false},
		{"within", []round{aRound(2, 6)}, true},
		{"over", []round{aRound(2, 10.2)}, false},
		{"the median counts, not the worst", []round{aRound(2, 6), aRound(2, 30), aRound(2, 7)}, true},
		{"a machine that slows down slows both", []round{aRound(1, 3.9), aRound(2, 7.8), aRound(4, 15.6)}, true},
		{"over in most rounds", []round{aRound(2, 6), aRound(2, 11), aRound(2, 12)}, false},
		{"what steps don't count is counted", []round{aRound(1, 5.5)}, false},
	} {
		var tab table
		fillSpeed(&tab, c.rounds)
		if got := tab.met(); got != c.want {
			t.Errorf("%s: met %t, want %t: %+v", c.name, got, c.want, tab.rows)
		}
	}
}

func TestSpeedTells(t *testing.T) {
	var tab table
	fillSpeed(&tab, []round{aRound(2, 6)})
	for _, want := range []row{
		{what: "step profile", measured: "0.10 x lame, 500 x real time"},
		{what: "sum of the steps", measured: "2.60 x lame"},
		{what: "all else: reading in, store, broker, starting children", measured: "0.40 x lame"},
	} {
		found := false
		for _, r := range tab.rows {
			found = found || r == want
		}
		if !found {
			t.Errorf("no row %+v among %+v", want, tab.rows)
		}
	}
}

func TestChainsAreHeld(t *testing.T) {
	for _, c := range []struct {
		name   string
		rounds []chainRound
		want   bool
	}{
		{"no round", nil, false},
		{"within", []chainRound{{ffmpeg: 4, sox: 5, like: 2, full: 2.6}}, true},
		{"like for like too slow", []chainRound{{ffmpeg: 4, sox: 5, like: 2.1, full: 2.6}}, false},
		{"the full chain too slow", []chainRound{{ffmpeg: 4, sox: 5, like: 1, full: 2.7}}, false},
		{"the median counts", []chainRound{{4, 5, 1, 2}, {4, 5, 9, 9}, {8, 9, 3, 5}}, true},
	} {
		var tab table
		fillChains(&tab, c.rounds)
		if got := tab.met(); got != c.want {
			t.Errorf("%s: met %t, want %t: %+v", c.name, got, c.want, tab.rows)
		}
	}
}

// TestIdleStagesProveNothing: every stage that moves gain has to have moved it.
func TestIdleStagesProveNothing(t *testing.T) {
	const worked = `{"stage": "2 expander", "share": 0.2, "furthest_db": -8}`
	for _, c := range []struct {
		lines string
		want  bool
	}{
		{worked, true},
		{worked + "\n" + `{"stage": "4 compressor", "share": 0, "furthest_db": 0}`, false},
		{"", false},
	} {
		var tab table
		if err := fillMoved(&tab, "like", []byte(c.lines)); err != nil || tab.met() != c.want {
			t.Errorf("%q: met %t, want %t (%v)", c.lines, tab.met(), c.want, err)
		}
	}
	if err := fillMoved(&table{}, "like", []byte("stopped")); err == nil {
		t.Error("no error over what is no JSON")
	}
}

func TestMedian(t *testing.T) {
	for _, c := range []struct {
		of   []float64
		want float64
	}{{[]float64{3}, 3}, {[]float64{9, 1, 4}, 4}, {[]float64{4, 1, 9, 2}, 3}} {
		if got := median(c.of); got != c.want {
			t.Errorf("of %v it is %v, want %v", c.of, got, c.want)
		}
	}
}

// TestNightIsChecked: a report of a night that left work out proves nothing.
func TestNightIsChecked(t *testing.T) {
	const good = `{"cost": {"file": {"cpu_s": 2, "audio_s": 9}}, "deliveries": [{"spec": "a", "files": 2}, {"spec": "b", "files": 2}]}`
	for _, c := range []struct{ name, report, want string }{
		{"good", good, ""},
		{"a hole", strings.Replace(good, `"files": 2`, `"files": 1`, 1), "3 files of 4"},
		{"no delivery", `{"cost": {"file": {"cpu_s": 2}}}`, "0 files of 4"},
		{"taken from storage", strings.Replace(good, `"cpu_s": 2`, `"cpu_s": 0`, 1), "no cost"},
		{"no report", "stopped", "can't be read"},
	} {
		_, err := night{files: 4}.check([]byte(c.report))
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

func TestMetersAreHeld(t *testing.T) {
	for _, c := range []struct {
		name   string
		rounds []meterRound
		held   bool
		want   bool
	}{
		{"no round", nil, true, false},
		{"as fast as asked", []meterRound{{1, 4}}, true, true},
		{"slower", []meterRound{{1, 3.9}}, true, false},
		{"the median counts", []meterRound{{1, 3}, {1, 4.5}, {2, 10}}, true, true},
		{"the worst case only tells", []meterRound{{1, 9}}, false, false},
	} {
		var tab table
		fillMeters(&tab, "meters", c.rounds, c.held)
		if got := tab.met(); got != c.want {
			t.Errorf("%s: met %t, want %t: %+v", c.name, got, c.want, tab.rows)
		}
	}
}

func TestSpeedKnowsItsRows(t *testing.T) {
	err := speed(t.Context(), &site{order: order{rows: "meters,wheels"}}, &table{})
	if err == nil || !strings.Contains(err.Error(), `"wheels"`) {
		t.Errorf("rows that there are none of: %v", err)
	}
}

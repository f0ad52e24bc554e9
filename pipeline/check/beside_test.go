package check

import (
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// TestBeside: what is measured, the window, and the room to its nearer side.
func TestBeside(t *testing.T) {
	spec := pipeline.Spec{
		Sound: pipeline.Sound{
			Level: pipeline.Level{Measure: pipeline.MeasureRMSPlain, Window: [2]float64{-23, -18}},
			Peak:  pipeline.Peak{MaxDBTP: -3},
			Edges: pipeline.Edges{HeadS: [2]float64{0.5, 1}, TailS: [2]float64{1, 5}},
		},
		Limits: pipeline.Limits{NoiseFloorDBFS: -60, MaxMinutes: 120},
	}
	facts := Facts{
		Levels: meter.Levels{RMS: -19.5, TruePeak: -2.75}, Floor: meter.Floor{Median: -68.25, Windows: 4},
		HeadS: 0.75, TailS: 3, LengthS: 3600,
	}
	want := []Asked{
		{"RMS, plain", "dBFS", -19.5, -23, -18, 1.5, true},
		{"true peak", "dBTP", -2.75, dsp.Unmeasured, -3, -0.25, false},
		{"noise floor", "dBFS", -68.25, dsp.Unmeasured, -60, 8.25, true},
		{"head", "s", 0.75, 0.5, 1, 0.25, true},
		{"tail", "s", 3, 1, 5, 2, true},
		{"length", "min", 60, dsp.Unmeasured, 120, 60, true},
	}
	windows := []string{"-23 to -18 dBFS", "at most -3 dBTP", "at most -60 dBFS", "0.5 to 1 s", "1 to 5 s", "at most 120 min"}
	same := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
	got := Beside(spec, pipeline.RoleChapter, facts)
	if len(got) != len(want) {
		t.Fatalf("%d rows: %+v", len(got), got)
	}
	for i, w := range want {
		g := got[i]
		if g.What != w.What || g.Unit != w.Unit || !same(g.Measured, w.Measured) || !same(g.Low, w.Low) || g.High != w.High || g.Left != w.Left || g.Met != w.Met || g.Window() != windows[i] {
			t.Errorf("got %+v (%s)\nwant %+v (%s)", g, g.Window(), w, windows[i])
		}
	}
	facts.Floor = meter.Floor{}
	facts.Levels.RMS = dsp.DBFS(dsp.Silence)
	got = Beside(spec, pipeline.RoleChapter, facts)
	if got[0].Met || !math.IsNaN(got[2].Measured) || got[2].Met {
		t.Errorf("silence and an unmeasured floor: %+v", got)
	}
	if got := Beside(spec, pipeline.RoleAsset, facts); len(got) != 3 {
		t.Errorf("an asset is asked for %+v", got)
	}
	spec.Sound.Level = pipeline.Level{Measure: pipeline.MeasureLoudness, CountedAs: pipeline.CountedTwice, Window: [2]float64{-24, -16}}
	spec.Limits = pipeline.Limits{}
	facts.Levels = meter.Levels{Integrated: -21, Channels: 1}
	if got := Beside(spec, pipeline.RoleChapter, facts); len(got) != 4 || got[0].What != "loudness, counted as two channels" || got[0].Unit != "LUFS" || got[0].Measured != -17.99 {
		t.Errorf("loudness without limits: %+v", got)
	}
}

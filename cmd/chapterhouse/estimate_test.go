package main

import (
	"math"
	"testing"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
)

// oneByOne are rates that can be added up in the head.
var oneByOne = rates{pipeline.StepProfile: 0.1, pipeline.StepWeigh: 0.2, pipeline.StepFile: 0.3, pipeline.StepCheck: 0.05}

func TestAhead(t *testing.T) {
	chapter := func(seconds float64, done, missing int) coordinator.Chapter {
		all := digests(1, 2, 3, 4, 5, 6)
		return coordinator.Chapter{Seconds: seconds, Done: all[:done], Missing: all[done : done+missing]}
	}
	hole := chapter(100, 0, 1)
	hole.Hole = "no such file"
	for _, c := range []struct {
		name         string
		step         pipeline.Step
		chapters     []coordinator.Chapter
		files        int
		all, longest float64 // seconds of processor
	}{
		{"nothing but the check is a file's equal", pipeline.StepProfile, []coordinator.Chapter{chapter(100, 0, 1)}, 2, 10 + 20 + 60 + 5, 95},
		{"pauses are looked for in one of two", pipeline.StepSurvey, []coordinator.Chapter{chapter(100, 0, 1), chapter(100, 0, 0)}, 2, 2 * 95, 95},
		{"measured", pipeline.StepProfile, []coordinator.Chapter{chapter(100, 1, 0)}, 2, 20 + 60 + 5, 85},
		{"half measured", pipeline.StepProfile, []coordinator.Chapter{chapter(100, 1, 1)}, 2, 5 + 20 + 60 + 5, 90},
		{"weighed", pipeline.StepWeigh, []coordinator.Chapter{chapter(100, 1, 0)}, 1, 30 + 5, 35},
		{"late: it stands at no phase, and all of this one is before it", pipeline.StepWeigh, []coordinator.Chapter{chapter(100, 0, 0)}, 1, 20 + 30 + 5, 55},
		{"one of four results is there", pipeline.StepFile, []coordinator.Chapter{chapter(100, 1, 3)}, 3, 0.75 * 95, 0.75 * 95},
		{"all is there", pipeline.StepFile, []coordinator.Chapter{chapter(100, 4, 0)}, 3, 0, 0},
		{"a hole asks for nothing", pipeline.StepProfile, []coordinator.Chapter{hole}, 3, 0, 0},
		{"the longest of two", pipeline.StepFile, []coordinator.Chapter{chapter(100, 0, 2), chapter(300, 0, 2)}, 1, 35 + 105, 105},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := aheadOf(coordinator.Title{Step: c.step, Chapters: c.chapters}, c.files, oneByOne)
			if math.Abs(a.all.Seconds()-c.all) > 1e-6 || math.Abs(a.longest.Seconds()-c.longest) > 1e-6 {
				t.Errorf("%v and %v, not %g s and %g s", a.all, a.longest, c.all, c.longest)
			}
		})
	}
}

// TestAheadUnopened: an hour of WAV and an hour of FLAC and MP3 are guessed to be one.
func TestAheadUnopened(t *testing.T) {
	hours := []pipeline.SourceFile{
		{Path: "1.wav", Bytes: 44100 * 3 * 3600}, {Path: "1.FLAC", Bytes: 44100 * 3 * 3600 * 55 / 100}, {Path: "1.mp3", Bytes: 192000 / 8 * 3600},
	}
	for _, src := range hours {
		a := aheadUnopened([]pipeline.SourceFile{src, src}, 2, oneByOne)
		if want := 2 * 3600 * (0.1 + 0.2 + 2*0.3 + 0.05); math.Abs(a.all.Seconds()-want) > 0.01*want || math.Abs(2*a.longest.Seconds()-want) > 0.01*want {
			t.Errorf("%s: %v and %v, not %g s", src.Path, a.all, a.longest, want)
		}
	}
}

func TestRates(t *testing.T) {
	r := oneByOne.measured(map[pipeline.Step]pipeline.Cost{
		pipeline.StepProfile: {CPUS: 3, AudioS: 600}, pipeline.StepWeigh: {CPUS: 1, AudioS: 59}, pipeline.StepFile: {},
	})
	wants := rates{pipeline.StepProfile: 0.005, pipeline.StepWeigh: 0.2, pipeline.StepFile: 0.3, pipeline.StepCheck: 0.05}
	for step, want := range wants {
		if math.Abs(r[step]-want) > 1e-12 {
			t.Errorf("%s: %g, not %g", step, r[step], want)
		}
	}
	if oneByOne[pipeline.StepProfile] != 0.1 {
		t.Error("what it measured from was changed")
	}
}

func TestForecasts(t *testing.T) {
	now := time.Date(2026, 12, 1, 1, 0, 0, 0, time.UTC)
	hours := func(all, longest float64) ahead {
		return ahead{time.Duration(all * float64(time.Hour)), time.Duration(longest * float64(time.Hour))}
	}
	at := func(h float64) time.Time { return now.Add(time.Duration(h * float64(time.Hour))) }
	for _, c := range []struct {
		name   string
		titles []place
		slots  map[string]int
		left   []float64 // hours; negative: not known
		over   []bool
	}{
		{"one slot", []place{{hours(2, 1), "a", at(3)}}, map[string]int{"a": 1}, []float64{2}, []bool{false}},
		{"too late", []place{{hours(4, 1), "a", at(3)}}, map[string]int{"a": 1}, []float64{4}, []bool{true}},
		{"four slots", []place{{hours(4, 0.5), "a", at(3)}}, map[string]int{"a": 4}, []float64{1}, []bool{false}},
		{"no chapter is faster than one slot", []place{{hours(4, 3.5), "a", at(3)}}, map[string]int{"a": 4}, []float64{3.5}, []bool{true}},
		{"what comes first counts first", []place{{hours(2, 1), "a", at(2)}, {hours(2, 1), "a", at(2)}}, map[string]int{"a": 2}, []float64{1, 2}, []bool{false, false}},
		{"and makes the next late", []place{{hours(4, 1), "a", time.Time{}}, {hours(1, 1), "a", at(2)}}, map[string]int{"a": 2}, []float64{2, 2.5}, []bool{false, true}},
		{"another engine's workers do not wait", []place{{hours(4, 1), "a", time.Time{}}, {hours(1, 1), "b", at(2)}}, map[string]int{"a": 2, "b": 1}, []float64{2, 1}, []bool{false, false}},
		{"nobody is up", []place{{hours(4, 1), "a", at(9)}}, map[string]int{"b": 3}, []float64{-1}, []bool{false}},
		{"nobody is up, and it was due", []place{{hours(4, 1), "a", at(-1)}}, nil, []float64{-1}, []bool{true}},
		{"due, and all done", []place{{hours(0, 0), "a", at(-1)}}, map[string]int{"a": 1}, []float64{0}, []bool{true}},
		{"no date is never over", []place{{hours(400, 1), "a", time.Time{}}}, map[string]int{"a": 1}, []float64{400}, []bool{false}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for i, f := range forecasts(now, c.titles, c.slots) {
				want := time.Duration(c.left[i] * float64(time.Hour))
				if f.known != (c.left[i] >= 0) || f.known && (f.left != want || !f.at.Equal(now.Add(want))) || f.over != c.over[i] {
					t.Errorf("title %d: %+v, not %v and over %v", i+1, f, want, c.over[i])
				}
			}
		})
	}
}

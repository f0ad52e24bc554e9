package pipeline

import (
	"math"
	"reflect"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
)

// TestPasts: sessions apart, medians of what was measured, and what a profile
// says where there is nothing else.
func TestPasts(t *testing.T) {
	part := func(who, session string, l Likeness) PartOutcome {
		return PartOutcome{Part: Part{Voice: Voice{Narrator: who, Setup: "booth"}}, Session: session, Likeness: l, Profile: ProfileRecord{SpeechS: 300, Levels: meter.Levels{Speech: -25}, Floor: meter.Floor{Median: -66, Windows: 3}}}
	}
	like := func(speech float64, pace float64) Likeness {
		return Likeness{Speech: dsp.DBFS(speech), Floor: -70, SNR: dsp.DB(speech + 70), Spectrum: Spectrum{dsp.DBFS(speech), -40}, Pace: pace, Pauses: Habit{MedianS: 0.5, HighS: 0.8, Count: 10}}
	}
	chapter := func(median dsp.DB, parts ...PartOutcome) ChapterOutcome {
		return ChapterOutcome{Role: RoleChapter, Parts: parts, Files: []FileOutcome{{Record: FileRecord{Stages: []StageUse{{Stage: "de-esser", Share: 0.1, MedianDB: median}}}}}}
	}
	o := Outcome{Slug: "tide", Run: "000003", Chapters: []ChapterOutcome{
		chapter(-1, part("ines", "tuesday", like(-20, 4))),
		chapter(-2, part("ines", "tuesday", like(-22, 5)), part("ines", "tuesday", like(-30, 0))),
		chapter(-9, part("tobias", "monday", like(-28, 4)), part("ines", "tuesday", Likeness{})),
		chapter(-3, part("ines", "monday", Likeness{})),
		{Role: RoleAsset, Parts: []PartOutcome{part("ines", "monday", like(-1, 1))}},
	}}
	opening := chapter(0, part("ines", "tuesday", like(-5, 9)))
	opening.Role = RoleOpening
	o.Chapters = append(o.Chapters, opening) // too little to know a session by
	bands := len(spectrum.ThirdOctaves())
	want := []Past{
		{Title: "tide", Run: "000003", Setup: "booth", Session: "monday", Chapters: 1, Likeness: Likeness{Speech: -25, Floor: -66, SNR: 41, Spectrum: make(Spectrum, bands)}, Stages: []StageUse{{Stage: "de-esser", Share: 0.1, MedianDB: -3}}},
		{Title: "tide", Run: "000003", Setup: "booth", Session: "tuesday", Chapters: 3,
			Likeness: Likeness{Speech: -23.5, Floor: -70, SNR: 44.5, Spectrum: append(Spectrum{-22, -40}, make(Spectrum, bands-2)...), Pace: 4.5, Pauses: Habit{MedianS: 0.5, HighS: 0.8, Count: 30}},
			Stages:   []StageUse{{Stage: "de-esser", Share: 0.1, MedianDB: -1.5}}},
	}
	if got := Pasts(o, "ines"); !reflect.DeepEqual(got, want) {
		t.Errorf("%+v\nnot\n%+v", got, want)
	}
	if got := Pasts(o, "nobody"); got != nil {
		t.Errorf("%+v", got)
	}
	silent := Outcome{Chapters: []ChapterOutcome{chapter(0, part("ines", "monday", Likeness{Speech: dsp.DBFS(math.Inf(-1)), Floor: dsp.DBFS(math.Inf(-1)), SNR: dsp.DB(math.NaN())}))}}
	if got := Pasts(silent, "ines"); len(got) != 1 || got[0].Likeness.Speech != 0 {
		t.Errorf("%+v", got)
	}
	if _, err := Canonical(Pasts(silent, "ines")); err != nil {
		t.Error(err)
	}
}

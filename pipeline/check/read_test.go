package check

import (
	"fmt"
	"math"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// retail is a spec with every limit.
func retail() pipeline.Spec {
	return pipeline.Spec{
		Spec: "retail",
		Sound: pipeline.Sound{
			Level: pipeline.Level{Measure: pipeline.MeasureRMSPlain, Window: [2]float64{-23, -18}, Aim: -20},
			Peak:  pipeline.Peak{MaxDBTP: -3},
			Edges: pipeline.Edges{HeadS: [2]float64{0.5, 1}, TailS: [2]float64{1, 5}},
		},
		Limits: pipeline.Limits{NoiseFloorDBFS: -60, TitleSpreadLU: 2, NeighbourSpreadLU: 1, MaxMinutes: 120},
	}
}

// sound is a file that nothing is wrong with.
func sound() pipeline.FileOutcome {
	f := pipeline.FileOutcome{Spec: "retail", FloorGain: -62}
	f.Record.Levels.RMS, f.Record.Levels.Integrated, f.Record.Levels.TruePeak = -20, -18, -3.2
	f.Record.Floor.Median, f.Record.Floor.Windows = -66, 20
	f.Record.HeadS, f.Record.TailS, f.Record.LengthS = 0.75, 3, 1800
	return f
}

func titleOf(s pipeline.Spec, files ...pipeline.FileOutcome) Title {
	t := Title{Specs: map[string]pipeline.Spec{s.Spec: s}}
	for _, f := range files {
		t.Chapters = append(t.Chapters, pipeline.ChapterOutcome{Role: pipeline.RoleChapter, Files: []pipeline.FileOutcome{f}})
	}
	return t
}

// found is what all checks say of a title's chapter.
func found(t Title, chapter int) []pipeline.Finding { return Read(Builtin(), t, chapter) }

// Every check that reads a file fires past its limit and not at it, with its
// weight, its spec, what was measured and the limit.
func TestFileChecksAtTheirLimits(t *testing.T) {
	type change func(*pipeline.Spec, *pipeline.FileOutcome)
	rms := func(v float64) change {
		return func(_ *pipeline.Spec, f *pipeline.FileOutcome) { f.Record.Levels.RMS = dsp.DBFS(v) }
	}
	loudness := func(v float64) change {
		return func(s *pipeline.Spec, f *pipeline.FileOutcome) {
			s.Sound.Level = pipeline.Level{Measure: pipeline.MeasureLoudness, Window: [2]float64{-19.5, -17.5}, Aim: -18.5}
			f.Record.Levels.Integrated = dsp.LUFS(v)
		}
	}
	peak := func(v float64) change {
		return func(_ *pipeline.Spec, f *pipeline.FileOutcome) { f.Record.Levels.TruePeak = dsp.DBTP(v) }
	}
	floor := func(v float64) change {
		return func(_ *pipeline.Spec, f *pipeline.FileOutcome) {
			f.Record.Floor.Median, f.FloorGain = dsp.DBFS(v), dsp.DBFS(v)
		}
	}
	taken := func(v float64) change {
		return func(_ *pipeline.Spec, f *pipeline.FileOutcome) {
			f.FloorGain = f.Record.Floor.Median + dsp.DBFS(v)
		}
	}
	noFloor := func(_ *pipeline.Spec, f *pipeline.FileOutcome) {
		f.Record.Floor.Windows, f.Record.Floor.Median = 0, dsp.DBFS(dsp.Unmeasured)
	}
	head := func(low, high, v float64) change {
		return func(s *pipeline.Spec, f *pipeline.FileOutcome) {
			s.Sound.Edges.HeadS, f.Record.HeadS = [2]float64{low, high}, v
		}
	}
	tail := func(v float64) change {
		return func(_ *pipeline.Spec, f *pipeline.FileOutcome) { f.Record.TailS = v }
	}
	length := func(minutes, s float64) change {
		return func(spec *pipeline.Spec, f *pipeline.FileOutcome) {
			spec.Limits.MaxMinutes, f.Record.LengthS = minutes, s
		}
	}
	trim := func(v float64) change {
		return func(_ *pipeline.Spec, f *pipeline.FileOutcome) { f.TrimDB = dsp.DB(v) }
	}
	none := func(s *pipeline.Spec, f *pipeline.FileOutcome) {
		s.Limits, f.Record.Floor.Median, f.FloorGain, f.Record.LengthS = pipeline.Limits{}, -20, -20, 1e6
	}
	for _, c := range []struct {
		name     string
		change   change
		check    string // "": nothing is found
		weight   pipeline.Verdict
		measured string
		limit    string
	}{
		{"nothing wrong", func(*pipeline.Spec, *pipeline.FileOutcome) {}, "", "", "", ""},
		{"lowest level", rms(-23), "", "", "", ""},
		{"highest level", rms(-18), "", "", "", ""},
		{"too quiet", rms(-23.01), "level", pipeline.Return, "-23.01 dBFS", "-23 to -18 dBFS"},
		{"too loud", rms(-17.99), "level", pipeline.Return, "-17.99 dBFS", "-23 to -18 dBFS"},
		{"silent", rms(math.Inf(-1)), "level", pipeline.Return, "-inf dBFS", "-23 to -18 dBFS"},
		{"lowest loudness", loudness(-19.5), "", "", "", ""},
		{"highest loudness", loudness(-17.5), "", "", "", ""},
		{"too little loudness", loudness(-19.51), "level", pipeline.Return, "-19.51 LUFS", "-19.5 to -17.5 LUFS"},
		{"too much loudness", loudness(-17.49), "level", pipeline.Return, "-17.49 LUFS", "-19.5 to -17.5 LUFS"},
		{"too short for loudness", loudness(dsp.Unmeasured), "level", pipeline.Return, "not measurable", "-19.5 to -17.5 LUFS"},
		{"at the ceiling", peak(-3), "", "", "", ""},
		{"over it", peak(-2.99), "peak", pipeline.Return, "-2.99 dBTP", "-3.00 dBTP"},
		{"at the floor", floor(-60), "", "", "", ""},
		{"over it", floor(-59.99), "noise-floor", pipeline.Return, "-59.99 dBFS", "-60.00 dBFS"},
		{"no floor", noFloor, "noise-floor", pipeline.Listen, "not measurable: no half second without speech", "-60.00 dBFS"},
		{"12 dB taken", taken(12), "", "", "", ""},
		{"12 dB taken, in figures that binary has not", func(_ *pipeline.Spec, f *pipeline.FileOutcome) {
			f.Record.Floor.Median, f.FloorGain = -65.95, -53.95
		}, "", "", "", ""},
		{"more taken", taken(12.1), "floor-taken", pipeline.Listen, "12.1 dB", "12 dB"},
		{"given, not taken", taken(-30), "", "", "", ""},
		{"nothing known of the raw floor", taken(math.Inf(-1)), "", "", "", ""},
		{"shortest head", head(0.5, 1, 0.4), "", "", "", ""},
		{"longest head", head(0.5, 1, 1.1), "", "", "", ""},
		{"too short a head", head(0.5, 1, 0.39), "head", pipeline.Listen, "0.39 s", "0.50 to 1.00 s"},
		{"too long a head", head(0.5, 1, 1.11), "head", pipeline.Listen, "1.11 s", "0.50 to 1.00 s"},
		{"shortest head, in figures that binary has not", head(0.8, 1, 0.7), "", "", "", ""},
		{"longest head, likewise", head(0.1, 0.2, 0.3), "", "", "", ""},
		{"shortest tail", tail(0.9), "", "", "", ""},
		{"longest tail", tail(5.1), "", "", "", ""},
		{"too short a tail", tail(0.89), "tail", pipeline.Listen, "0.89 s", "1.00 to 5.00 s"},
		{"too long a tail", tail(5.11), "tail", pipeline.Listen, "5.11 s", "1.00 to 5.00 s"},
		{"as long as allowed", length(120, 7200), "", "", "", ""},
		{"longer", length(120, 7201), "length", pipeline.Return, "120.02 min", "120 min"},
		{"longer than an odd limit", length(12.5, 751), "length", pipeline.Return, "12.52 min", "12.5 min"},
		{"a trim", trim(-0.1), "trim", pipeline.Ready, "-0.1 dB", "-23 to -18 dBFS"},
		{"no limits", none, "", "", "", ""},
	} {
		s, f := retail(), sound()
		c.change(&s, &f)
		got := found(titleOf(s, f), 0)
		if c.check == "" {
			if len(got) > 0 {
				t.Errorf("%s: found %+v", c.name, got)
			}
			continue
		}
		if len(got) != 1 || got[0].Do == "" {
			t.Errorf("%s: found %+v, want one of %s with what to do", c.name, got, c.check)
			continue
		}
		want := pipeline.Finding{Check: c.check, Spec: "retail", Measured: c.measured, Limit: c.limit, Do: got[0].Do, Weight: c.weight}
		if c.check == "floor-taken" {
			want.Value, want.LimitValue, want.Unit = 12.1, 12, "dB"
		}
		if !reflect.DeepEqual(got[0], want) {
			t.Errorf("%s: found %+v, want %+v", c.name, got[0], want)
		}
	}
}

// What a room lacks is told in tenths of a decibel, rounded up.
func TestMissingDecibels(t *testing.T) {
	for floor, want := range map[dsp.DBFS]string{-59.99: "0.1 dB are", -59.7: "0.3 dB are", -59.69: "0.4 dB are", -48: "12.0 dB are"} {
		f := sound()
		f.Record.Floor.Median, f.FloorGain = floor, floor
		if got := found(titleOf(retail(), f), 0); len(got) != 1 || !strings.Contains(got[0].Do, want) {
			t.Errorf("%s: found %+v, want %q", floor, got, want)
		}
	}
}

// A file that misses a limit of one spec is found for that spec alone.
func TestFindingsAreOfTheirSpec(t *testing.T) {
	s, other := retail(), retail()
	other.Spec, other.Sound.Peak.MaxDBTP = "archive", -1
	loud, kept := sound(), sound()
	loud.Record.Levels.TruePeak, kept.Record.Levels.TruePeak, kept.Spec = -2, -2, "archive"
	title := titleOf(s, loud)
	title.Specs["archive"] = other
	title.Chapters[0].Files = append(title.Chapters[0].Files, kept)
	if got := found(title, 0); len(got) != 1 || got[0].Spec != "retail" || got[0].Check != "peak" {
		t.Errorf("found %+v", got)
	}
}

// The limiter is named where it took more than 3 dB, and asks for an ear over 6.
func TestLimiterDepth(t *testing.T) {
	source := pipeline.DigestOf([]byte("a"))
	for db, want := range map[float64]pipeline.Verdict{-3: "", -3.1: pipeline.Ready, -6: pipeline.Ready, -6.1: pipeline.Listen, -20: pipeline.Listen} {
		f := sound()
		f.Record.Deep = []pipeline.Place{{Source: source, StartS: 12.5, EndS: 13.25, DB: dsp.DB(db)}}
		got := found(titleOf(retail(), f), 0)
		if want == "" {
			if len(got) > 0 {
				t.Errorf("%g dB: found %+v", db, got)
			}
			continue
		}
		limit := map[pipeline.Verdict]string{pipeline.Ready: "3 dB", pipeline.Listen: "6 dB"}[want]
		if len(got) != 1 || got[0].Check != "limiter" || got[0].Weight != want || got[0].Spec != "retail" || got[0].Source != source ||
			got[0].StartS != 12.5 || got[0].EndS != 13.25 || got[0].Limit != limit || got[0].Measured != fmt.Sprintf("%.1f dB", -db) {
			t.Errorf("%g dB: found %+v", db, got)
		}
	}
}

// A chapter is held against the middle of its title, then against the chapter
// before it: files that can't be measured, openings and closings aside.
func TestSpread(t *testing.T) {
	for _, c := range []struct {
		name     string
		loudness []float64 // of the chapters, in order
		want     string    // of the last chapter
	}{
		{"alone", []float64{-18}, ""},
		{"2 from the middle, in figures that binary has not", []float64{-18.23, -18.23, -18.23, -17.23, -16.23}, ""},
		{"2 from the middle", []float64{-20, -20, -20, -19, -18}, ""},
		{"over 2 from the middle", []float64{-20, -20, -20, -19, -17.99}, "+2.01 LU from the middle of the title"},
		{"over 2 under the middle", []float64{-20, -20, -20, -21, -22.01}, "-2.01 LU from the middle of the title"},
		{"1 from the chapter before", []float64{-18, -18, -18, -19}, ""},
		{"over 1 from the chapter before", []float64{-18, -18, -18, -19.01}, "-1.01 LU from the chapter before"},
		{"the one before can't be measured", []float64{-18, -18, dsp.Unmeasured, -19.01}, "-1.01 LU from the chapter before"},
		{"itself can't be measured", []float64{-18, -18, math.Inf(-1)}, ""},
		{"an even number: the mean of the two in the middle", []float64{-20, -18, -18.9, -16.44}, "+2.01 LU from the middle of the title"},
	} {
		var files []pipeline.FileOutcome
		for _, l := range c.loudness {
			f := sound()
			f.Record.Levels.Integrated = dsp.LUFS(l)
			files = append(files, f)
		}
		title := titleOf(retail(), files...)
		loud := sound()
		loud.Record.Levels.Integrated = -5
		title.Chapters = append([]pipeline.ChapterOutcome{{Role: pipeline.RoleOpening, Files: []pipeline.FileOutcome{loud}}}, title.Chapters...)
		got := found(title, len(c.loudness))
		if c.want == "" && len(got) > 0 || c.want != "" && (len(got) != 1 || got[0].Check != "spread" || got[0].Measured != c.want || got[0].Weight != pipeline.Listen || got[0].Spec != "retail") {
			t.Errorf("%s: found %+v, want %q", c.name, got, c.want)
		}
		if got := found(title, 0); len(got) > 0 {
			t.Errorf("%s: of the opening %+v", c.name, got)
		}
	}
}

// How two channels became one is said of each source.
func TestSides(t *testing.T) {
	for _, c := range []struct {
		note   string
		unsure bool
		want   pipeline.Verdict
	}{{"", false, ""}, {"two identical sides: one was taken", false, pipeline.Ready}, {"two microphones", true, pipeline.Listen}} {
		title := titleOf(retail(), sound())
		part := pipeline.PartOutcome{Part: pipeline.Part{Source: pipeline.DigestOf([]byte("b")), Path: "b.wav"}}
		part.Profile.FoldNote, part.Profile.Unsure = c.note, c.unsure
		title.Chapters[0].Parts = []pipeline.PartOutcome{{}, part}
		got := found(title, 0)
		if c.want == "" && len(got) > 0 || c.want != "" && (len(got) != 1 || got[0].Check != "sides" || got[0].Weight != c.want ||
			got[0].Measured != c.note || got[0].Path != "b.wav" || got[0].Source != part.Source || got[0].Do == "") {
			t.Errorf("%q: found %+v", c.note, got)
		}
	}
}

// Sessions are spoken of once for the title: gains over 12 dB, and how a gain
// was found.
func TestSessionChecks(t *testing.T) {
	for _, c := range []struct {
		gain  dsp.DB
		notes []string
		want  []string // check: measured
	}{
		{12, nil, nil}, {-12, nil, nil},
		{12.1, nil, []string{"fit-gain: +12.1 dB for ada, booth, monday"}},
		{-12.1, nil, []string{"fit-gain: -12.1 dB for ada, booth, monday"}},
		{3, []string{"few words", "kept"}, []string{"session: ada, booth, monday: few words", "session: ada, booth, monday: kept"}},
	} {
		title := titleOf(retail(), sound())
		title.Sessions = []pipeline.SessionOutcome{{Narrator: "ada", Setup: "booth", Session: "monday", Fit: pipeline.FitRecord{GainDB: c.gain}, Notes: c.notes}}
		var got []string
		for _, f := range Whole(Builtin(), title) {
			got = append(got, f.Check+": "+f.Measured)
			if f.Weight != pipeline.Ready || f.Do == "" {
				t.Errorf("%+v", f)
			}
		}
		if !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: found %q, want %q", c.gain, got, c.want)
		}
		if of := found(title, 0); len(of) > 0 {
			t.Errorf("said of the chapter too: %+v", of)
		}
	}
	for want, s := range map[string]pipeline.SessionOutcome{
		"monday": {Session: "monday"}, "ada, found-1": {Narrator: "ada", Session: "found-1"}, "ada, booth, x": {Narrator: "ada", Setup: "booth", Session: "x"},
	} {
		if got := SessionName(s); got != want {
			t.Errorf("a session is called %q, want %q", got, want)
		}
	}
}

// The built-in checks are complete; what isn't is refused.
func TestValidate(t *testing.T) {
	if err := Validate(Builtin()); err != nil {
		t.Error(err)
	}
	listen := func(Part) Listener { return nil }
	read := func(Title, int) []pipeline.Finding { return nil }
	whole := func(Title) []pipeline.Finding { return nil }
	for want, checks := range map[string][]Check{
		"lacks a name or help": {{Doc: "help", Read: read}},
		"\"a\" lacks":          {{Name: "a", Read: read}},
		"two checks":           {{Name: "a", Doc: "help", Read: read}, {Name: "a", Doc: "help", Listen: listen}},
		"\"b\" must do one":    {{Name: "b", Doc: "help"}},
		"\"c\" must do one":    {{Name: "c", Doc: "help", Read: read, Listen: listen}},
		"\"d\" must do one":    {{Name: "d", Doc: "help", Read: read, Whole: whole}},
		"\"e\" must do one":    {{Name: "e", Doc: "help", Listen: listen, Whole: whole}},
	} {
		err := Validate(checks)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
}

// Help is sentences that a house reads: no names out of the program, no
// abbreviations of its builders.
func TestHelp(t *testing.T) {
	name := regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)
	program := regexp.MustCompile(`[a-z][A-Z]|\w_\w|\(\)|\b(struct|func|nil|bool|float|int|NaN|recipe|commit|digest|blob|bin|quantum|regex|JSON|TODO|fold|config|param)\b`)
	for _, c := range Builtin() {
		if !name.MatchString(c.Name) {
			t.Errorf("a check is called %q", c.Name)
		}
		for _, word := range program.FindAllString(c.Doc, -1) {
			if word != "dB" { // the unit
				t.Errorf("the help of %s says %q", c.Name, word)
			}
		}
		if len(c.Doc) < 60 || !strings.HasSuffix(c.Doc, ".") || strings.Contains(c.Doc, "  ") || strings.Contains(c.Doc, "\n") {
			t.Errorf("the help of %s is %q", c.Name, c.Doc)
		}
	}
}

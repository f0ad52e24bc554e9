package pipeline

import (
	"math"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
)

func spoken(level dsp.DBFS, seconds float64, tone ...dsp.DBFS) ProfileRecord {
	p := ProfileRecord{SpeechS: seconds, RoomTone: tone, Levels: meter.Levels{Speech: level}}
	if len(tone) > 0 {
		p.Floor.Windows = 10
	}
	return p
}

func TestFit(t *testing.T) {
	ref := dsp.DBFS(-23)
	standing := FitRecord{GainDB: 2.3, Facts: Facts{SpeechDBFS: -23.2, RoomTone: Spectrum{-57.9, -67.8}}, SpeechS: 90}
	last := FitRecord{GainDB: 7}
	for _, c := range []struct {
		name           string
		profiles       []ProfileRecord
		reference      *dsp.DBFS
		standing, last *FitRecord
		gain           dsp.DB
		speech         dsp.DBFS
		notes          int
	}{
		{"brings the level to the reference", []ProfileRecord{spoken(-26, 100, -60, -70)}, &ref, nil, nil, 3, -23, 0},
		{"pools by speaking time, in power", []ProfileRecord{spoken(-20, 60), spoken(-30, 60)}, &ref, nil, nil, -0.4, -23, 0},
		{"a quiet chapter hardly moves it", []ProfileRecord{spoken(-26, 600), spoken(-40, 30)}, &ref, nil, nil, 3.2, -23, 0},
		{"no chain, no gain", []ProfileRecord{spoken(-31, 100)}, nil, nil, nil, 0, -31, 0},
		{"clamped, and said", []ProfileRecord{spoken(-60, 100)}, &ref, nil, nil, 24, -36, 1},
		{"keeps the standing gain nearby", []ProfileRecord{spoken(-25.7, 100, -60, -70)}, &ref, &standing, nil, 2.3, -23.2, 0},
		{"half a decibel is nearby", []ProfileRecord{spoken(-24.8, 100, -60, -70)}, &ref, &standing, nil, 2.3, -23.2, 0},
		{"but not when the room changed", []ProfileRecord{spoken(-25.7, 100, -50, -60)}, &ref, &standing, nil, 2.7, -23, 0},
		{"but not when the level moved", []ProfileRecord{spoken(-27, 100, -60, -70)}, &ref, &standing, nil, 4, -23, 0},
		{"too little speech takes the last fit", []ProfileRecord{spoken(-26, 10)}, &ref, nil, &last, 7, -19, 1},
		{"too little speech and no last fit", []ProfileRecord{spoken(-26, 10)}, &ref, nil, nil, 3, -23, 1},
		{"silence gets no gain", []ProfileRecord{spoken(dsp.DBFS(dsp.Silence), 0)}, &ref, nil, nil, 0, -23, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := Fit(c.profiles, c.reference, 60, c.standing, c.last)
			if got.GainDB != c.gain || got.Facts.SpeechDBFS != c.speech || len(got.Notes) != c.notes {
				t.Errorf("gain %v, speech %v, notes %q", got.GainDB, got.Facts.SpeechDBFS, got.Notes)
			}
		})
	}
}

func TestFitShiftsRoomTone(t *testing.T) {
	ref := dsp.DBFS(-23)
	got := Fit([]ProfileRecord{spoken(-26, 100, -60, -70)}, &ref, 60, nil, nil)
	if want := (Spectrum{-57, -67}); got.Facts.RoomTone[0] != want[0] || got.Facts.RoomTone[1] != want[1] {
		t.Errorf("room tone %v, want %v", got.Facts.RoomTone, want)
	}
}

func TestFindSessions(t *testing.T) {
	part := func(narrator, session string) Part {
		return Part{Voice: Voice{Narrator: narrator, Setup: "s", Session: session}}
	}
	parts := []Part{part("a", "monday"), part("a", ""), part("b", ""), part("a", ""), part("a", ""), part("a", "")}
	profiles := []ProfileRecord{
		spoken(-25, 50, -60, -70), spoken(-25, 50, -60, -70), spoken(-25, 50, -60, -70),
		spoken(-31, 50, -66, -76), // 6 dB less gain
		spoken(-35, 50, -61, -70), // a quiet chapter of the first
		spoken(-25, 50),           // no room tone: with the one before
	}
	want := []string{"monday", "found-1", "found-1", "found-2", "found-1", "found-2"}
	for i, got := range FindSessions(parts, profiles) {
		if got != want[i] {
			t.Errorf("part %d is in %q, want %q", i, got, want[i])
		}
	}
}

func weighed(narrator string, rms, lufs float64, seconds float64) LeveledPart {
	frames := dsp.FramesIn(seconds, 44100)
	return LeveledPart{Narrator: narrator, RateHz: 44100, Weigh: WeighRecord{Levels: meter.Levels{
		Frames: frames, SumSquares: float64(frames) * math.Pow(10, rms/10), Integrated: dsp.LUFS(lufs), GatedBlocks: int(seconds * 10),
	}}}
}

func TestLevelGains(t *testing.T) {
	rms := Level{Measure: MeasureRMSPlain, Window: [2]float64{-23, -18}, Aim: -20}
	loud := Level{Measure: MeasureLoudness, Window: [2]float64{-24, -22}, Aim: -23}
	for _, c := range []struct {
		name     string
		chapters [][]LeveledPart
		level    Level
		edges    Edges
		standing map[string]dsp.DB
		want     map[string]dsp.DB
		notes    int
	}{
		{"one narrator", [][]LeveledPart{{weighed("a", -25, -25, 100)}}, rms, Edges{}, nil, map[string]dsp.DB{"a": 5}, 0},
		{"edges count for plain RMS", [][]LeveledPart{{weighed("a", -25, -25, 100)}}, rms, Edges{HeadAimS: 12, TailAimS: 13.89254}, nil, map[string]dsp.DB{"a": 6}, 0},
		{"and not for loudness", [][]LeveledPart{{weighed("a", -25, -26, 100)}}, loud, Edges{HeadAimS: 10, TailAimS: 10}, nil, map[string]dsp.DB{"a": 3}, 0},
		{"a gain for each narrator", [][]LeveledPart{{weighed("a", -25, -25, 100), weighed("b", -22, -22, 100)}}, rms, Edges{}, nil, map[string]dsp.DB{"a": 5, "b": 2}, 0},
		{"short chapters do not count", [][]LeveledPart{{weighed("a", -25, -25, 100)}, {weighed("a", -10, -10, 30)}}, rms, Edges{}, nil, map[string]dsp.DB{"a": 5}, 0},
		{"unless there are no others", [][]LeveledPart{{weighed("a", -24, -24, 30)}}, rms, Edges{}, nil, map[string]dsp.DB{"a": 4}, 1},
		{"kept within half a decibel", [][]LeveledPart{{weighed("a", -25, -25, 100)}}, rms, Edges{}, map[string]dsp.DB{"a": 5.4}, map[string]dsp.DB{"a": 5.4}, 0},
		{"not kept beyond", [][]LeveledPart{{weighed("a", -25, -25, 100)}}, rms, Edges{}, map[string]dsp.DB{"a": 5.6}, map[string]dsp.DB{"a": 5}, 0},
		{"silence", [][]LeveledPart{{weighed("a", math.Inf(-1), math.Inf(-1), 100)}}, rms, Edges{}, nil, map[string]dsp.DB{"a": 0}, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := LevelGains(c.chapters, c.level, c.edges, 60, c.standing)
			if len(got.GainDB) != len(c.want) || len(got.Notes) != c.notes {
				t.Fatalf("got %+v", got)
			}
			for who, want := range c.want {
				if got.GainDB[who] != want {
					t.Errorf("%s: %v, want %v", who, got.GainDB[who], want)
				}
			}
		})
	}
}

func TestTrim(t *testing.T) {
	level := Level{Measure: MeasureRMSPlain, Window: [2]float64{-23, -18}, Aim: -20}
	for _, c := range []struct {
		name  string
		parts []LeveledPart
		gains map[string]dsp.DB
		want  dsp.DB
	}{
		{"inside: none", []LeveledPart{weighed("a", -25, -25, 100)}, map[string]dsp.DB{"a": 5}, 0},
		{"quiet: up to the margin", []LeveledPart{weighed("a", -30, -30, 100)}, map[string]dsp.DB{"a": 5}, 2.3},
		{"loud: down to the margin", []LeveledPart{weighed("a", -20, -20, 100)}, map[string]dsp.DB{"a": 5}, -3.3},
		{"two voices: by the sum", []LeveledPart{weighed("a", -30, -30, 100), weighed("b", -30, -30, 100)}, map[string]dsp.DB{"a": 5, "b": 11}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := Trim(c.parts, c.gains, level, Edges{}); got != c.want {
				t.Errorf("trim %v, want %v", got, c.want)
			}
		})
	}
}

// However far off a file is, its trim brings it inside the window, also where
// that is as narrow as EBU R 128 has it, and none is given to what is well inside.
func TestTrimReachesEveryWindow(t *testing.T) {
	for _, width := range []float64{0.2, 0.4, 1, 5} {
		level := Level{Measure: MeasureLoudness, CountedAs: CountedTwice, Window: [2]float64{-23 - width/2, -23 + width/2}, Aim: -23}
		for off := -3.0; off <= 3; off += 0.01 {
			parts := []LeveledPart{weighed("a", -30, -26.0103+off, 100)}
			trim := float64(Trim(parts, nil, level, Edges{}))
			if at := -23 + off + trim; at < level.Window[0]-1e-6 || at > level.Window[1]+1e-6 {
				t.Errorf("a window of %g LU: %.2f LU off is trimmed by %.1f dB to %.3f LUFS", width, off, trim, at)
			}
			if math.Abs(off) < width/5 && trim != 0 {
				t.Errorf("a window of %g LU: %.2f LU off is trimmed by %.1f dB", width, off, trim)
			}
		}
	}
}

func TestJudge(t *testing.T) {
	src := DigestOf([]byte("s"))
	clip := Finding{Check: "clipped", Source: src, StartS: 12.3, Weight: Listen}
	near := Finding{Check: "clipped", Source: src, StartS: 12.7, Weight: Return}
	far := Finding{Check: "clipped", Source: src, StartS: 13.4, Weight: Listen}
	notice := Finding{Check: "trim", Weight: Ready}
	for _, c := range []struct {
		name      string
		found     []Finding
		decisions []Decision
		want      Verdict
		n         int
	}{
		{"nothing", nil, nil, Ready, 0},
		{"a notice is no obstacle", []Finding{notice}, nil, Ready, 1},
		{"the most urgent decides", []Finding{notice, clip}, nil, Listen, 2},
		{"one identity, the more urgent stays", []Finding{clip, near}, nil, Return, 1},
		{"two places are two findings", []Finding{clip, far}, nil, Listen, 2},
		{"a decision lifts its finding", []Finding{clip}, []Decision{{Check: "clipped", Chapter: 3, AtS: 12.5, Why: "a door, kept"}}, Ready, 1},
		{"and no other", []Finding{clip, far}, []Decision{{Check: "clipped", Chapter: 3, AtS: 12.5}}, Listen, 2},
		{"nor another chapter's", []Finding{clip}, []Decision{{Check: "clipped", Chapter: 4, AtS: 12.3, Why: "x"}}, Listen, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			found, got := Judge(c.found, 3, c.decisions)
			if got != c.want || len(found) != c.n {
				t.Errorf("%v with %d findings, want %v with %d", got, len(found), c.want, c.n)
			}
		})
	}
}

package main

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"
)

var (
	nine    = time.Date(2026, 11, 30, 21, 0, 0, 0, time.Local)
	withMP3 = pipeline.NewEngine(nil, map[pipeline.Format]string{pipeline.FLAC: "flac", pipeline.MP3: "lame"})
	without = pipeline.NewEngine(nil, map[pipeline.Format]string{pipeline.FLAC: "flac"})
)

// hands are workers of an engine that are up.
func hands(engine pipeline.Engine, slots ...int) present {
	p := present{workers: map[string]queue.Beat{}, coordinators: map[string]bool{"coordinator-1": true}}
	for i, n := range slots {
		p.workers[string(rune('a'+i))] = queue.Beat{Engine: engine, Slots: n}
	}
	return p
}

// seen is a title of three chapters of an hour, of which the first is
// finished, with one FLAC file each.
func seen(title string, engine pipeline.Engine) seenTitle {
	keys := digests(1, 2, 3, 4, 5, 6)
	return seenTitle{
		title: title, state: pipeline.TitleState{Seq: 1, Wanted: "000001", Class: "overnight"},
		sub: pipeline.Submission{
			Title: pipeline.Title{Name: "The " + title, Chapters: make([]pipeline.TitleChapter, 3)},
			Specs: []pipeline.Spec{{Spec: "lossless", Sound: pipeline.Sound{Files: []pipeline.FileFormat{{Format: pipeline.FLAC}}}}},
		},
		view: coordinator.Title{
			Run: "000001", Step: pipeline.StepFile, Engine: engine.ID(),
			Cost: map[pipeline.Step]pipeline.Cost{pipeline.StepFile: {CPUS: 36, AudioS: 3600}, pipeline.StepCheck: {CPUS: 0, AudioS: 3600}},
			Chapters: []coordinator.Chapter{
				{Number: 1, Name: "Low", Seconds: 3600, Done: keys[:2]}, {Number: 2, Name: "High", Seconds: 3600, Missing: keys[2:4]}, {Number: 3, Name: "Slack", Seconds: 3600, Missing: keys[4:]},
			},
		},
	}
}

// TestStatus: what is told of the night. A file takes 36 s of processor an
// hour, a check 7.2 s as usual.
func TestStatus(t *testing.T) {
	left := func(seconds float64) func(StatusTitle) bool {
		return func(one StatusTitle) bool { return one.LeftS > seconds-1 && one.LeftS < seconds+1 }
	}
	says := func(text string) func(StatusTitle) bool {
		return func(one StatusTitle) bool {
			return slices.ContainsFunc(one.Attention, func(a string) bool { return strings.Contains(a, text) })
		}
	}
	quiet := func(one StatusTitle) bool { return len(one.Attention) == 0 }
	for _, c := range []struct {
		name   string
		change func(*seenTitle)
		here   present
		want   []func(StatusTitle) bool
	}{
		{"two of three left, one slot", nil, hands(without, 1), []func(StatusTitle) bool{
			left(2 * 43.2), quiet, func(s StatusTitle) bool {
				return s.Left == 2 && s.Chapters == 3 && s.Step == "rendering" && !s.Over && !s.Guessed && s.ClosedBy.Equal(nine.Add(86*time.Second))
			}}},
		{"four slots: no faster than a chapter", nil, hands(without, 2, 2), []func(StatusTitle) bool{left(43.2)}},
		{"due before that", func(t *seenTitle) { t.state.Due = nine.Add(time.Minute) }, hands(without, 1), []func(StatusTitle) bool{func(s StatusTitle) bool { return s.Over }}},
		{"due after that", func(t *seenTitle) { t.state.Due = nine.Add(time.Hour) }, hands(without, 1), []func(StatusTitle) bool{func(s StatusTitle) bool { return !s.Over }}},
		{"a hole", func(t *seenTitle) { t.view.Chapters[1].Hole = "given up after 3 tries: the child died" }, hands(without, 1),
			[]func(StatusTitle) bool{left(43.2), says("chapter 2, High, will be missing: given up after 3 tries: the child died"), func(s StatusTitle) bool { return s.Left == 1 }}},
		{"a chapter that failed", func(t *seenTitle) { t.view.Chapters[2].Late = "the child died" }, hands(without, 1), []func(StatusTitle) bool{says("chapter 3, Slack, failed and is tried again: the child died"), left(86.4)}},
		{"workers of another engine", nil, hands(withMP3, 4), []func(StatusTitle) bool{says("no worker of its engine, " + without.ID() + ", is up"), func(s StatusTitle) bool { return s.ClosedBy.IsZero() }}},
		{"no worker at all is not said of each title", nil, hands(without), []func(StatusTitle) bool{quiet, func(s StatusTitle) bool { return s.ClosedBy.IsZero() }}},
		{"nobody could be heard", nil, present{unknown: "no broker answers"}, []func(StatusTitle) bool{quiet}},
		{"a format that nobody can write", func(t *seenTitle) { t.sub.Specs[0].Sound.Files[0].Format = pipeline.MP3 }, hands(without, 1), []func(StatusTitle) bool{says("lossless asks for mp3 files, and no worker of its engine can write them")}},
		{"nobody took it yet", func(t *seenTitle) {
			t.view = coordinator.Title{}
			t.sub.Sources = []pipeline.SourceFile{{Path: "1.wav", Bytes: 132300 * 3600}}
		}, hands(withMP3, 2), []func(StatusTitle) bool{quiet, left((0.004 + 0.006 + 0.015 + 0.002) * 3600), func(s StatusTitle) bool { return s.Guessed && s.Left == 3 && s.Step == "waiting" }}},
		{"nobody has its chain's stages", func(t *seenTitle) {
			t.view = coordinator.Title{}
			t.sub.Narrators = map[string]pipeline.Narrator{"ines": {Setups: map[string]pipeline.Setup{"booth": {Chain: &pipeline.Chain{Stages: []pipeline.Resolved{{Stage: "highpass", Rev: 2}}}}}}}
		}, hands(withMP3, 2), []func(StatusTitle) bool{says("no worker is up that has its chains' stages as they were when it was submitted")}},
		{"sources are being opened", func(t *seenTitle) {
			t.view = coordinator.Title{Run: "000001", Engine: without.ID(), Step: pipeline.StepIntake, Chapters: []coordinator.Chapter{{Late: "the child died"}}}
			t.sub.Sources = []pipeline.SourceFile{{Path: "1.wav", Bytes: 132300 * 3600}}
		}, hands(without, 2), []func(StatusTitle) bool{says("1.wav, failed and is tried again"), func(s StatusTitle) bool { return s.Guessed && s.Left == 3 && s.Step == "opening" }}},
		{"the run that stands", func(t *seenTitle) {
			t.standing = &pipeline.Outcome{Run: "000000", Withheld: map[string]string{"retail": "chapter 1 is to be returned"}, Chapters: []pipeline.ChapterOutcome{{Number: 1, Name: "Low", Verdict: pipeline.Return}, {Number: 2, Name: "High", Verdict: pipeline.Ready}}}
		}, hands(without, 1), []func(StatusTitle) bool{
			says("run 000000, which stands, has 1 chapter to return: 1, Low"), says("run 000000: the delivery for retail is withheld: chapter 1 is to be returned"),
			func(s StatusTitle) bool { return s.Standing.Return == 1 && s.Standing.Ready == 1 }}},
		{"it can't be read", func(t *seenTitle) { *t = seenTitle{title: t.title, err: store.ErrDamaged} }, hands(without, 1), []func(StatusTitle) bool{says("it can't be read: damaged"), func(s StatusTitle) bool { return s.Open && s.ClosedBy.IsZero() }}},
		{"closed", func(t *seenTitle) {
			t.state.Standing = t.state.Wanted
			t.view, t.standing = coordinator.Title{}, &pipeline.Outcome{Run: "000001", Title: "The title", Chapters: make([]pipeline.ChapterOutcome, 3)}
		}, hands(without, 1), []func(StatusTitle) bool{func(s StatusTitle) bool { return !s.Open && s.Chapters == 3 && s.Left == 0 && s.ClosedBy.IsZero() }}},
	} {
		t.Run(c.name, func(t *testing.T) {
			one := seen("title", without)
			if c.change != nil {
				c.change(&one)
			}
			st := statusOf(nine, []seenTitle{one}, c.here, "")
			for i, ok := range c.want {
				if !ok(st.Titles[0]) {
					t.Errorf("claim %d does not hold of %+v", i, st.Titles[0])
				}
			}
		})
	}
}

// TestStatusOrder: titles count in the night's order, and of one that is named
// what comes before it counts and is not shown.
func TestStatusOrder(t *testing.T) {
	all := []seenTitle{seen("first", without), seen("second", without)}
	both := statusOf(nine, all, hands(without, 1), "")
	if len(both.Titles) != 2 || both.Titles[0].LeftS > 87 || both.Titles[1].LeftS < 172 {
		t.Errorf("%+v", both.Titles)
	}
	if one := statusOf(nine, all, hands(without, 1), "second"); len(one.Titles) != 1 || one.Titles[0].LeftS != both.Titles[1].LeftS {
		t.Errorf("%+v", one.Titles)
	}
}

// TestStatusText: the table, golden in the test, also with names that would
// move a cursor or begin a line of their own.
func TestStatusText(t *testing.T) {
	first, second, third := seen("first", without), seen("second", without), seen("third", withMP3)
	first.state.Class, first.state.Due = "rush", nine.Add(time.Minute)
	second.view.Chapters[1].Hole = "no\x1b[2J such\nfile"
	third.err = errors.New("third: damaged")
	third.state, third.view = pipeline.TitleState{}, coordinator.Title{}
	closed := seen("closed", without)
	closed.state.Standing = "000001"
	closed.standing = &pipeline.Outcome{Run: "000001", Title: "The\rEnd", Chapters: []pipeline.ChapterOutcome{{Verdict: pipeline.Listen, Number: 1, Name: "One"}, {Verdict: pipeline.Ready}}}
	var b strings.Builder
	if err := statusOf(nine, []seenTitle{first, second, third, closed}, hands(without, 1), "").print(&b); err != nil {
		t.Fatal(err)
	}
	const want = `3 titles open, 2 to be closed today · 1 worker with 1 slot · 1 coordinator

title   class      due               left    step        time left  closed by
first   rush       Mon 30 Nov 21:01  2 of 3  rendering   1 min      Mon 30 Nov 21:01  OVER
second  overnight  –                 1 of 3  rendering   2 min      Mon 30 Nov 21:02
third              –                 0 of 0  unreadable  –          –

The�End: run 000001 stands: 2 chapters, 1 ready, 1 to listen to

needs attention
  second: chapter 2, High, will be missing: no�[2J such�file
  third: it can't be read: third: damaged
  closed: run 000001, which stands, has 1 chapter to listen to: 1, One
`
	if got := b.String(); got != want {
		t.Errorf("%s\nnot\n%s", got, want)
	}
}

// TestStatusJSON: what programs read, by its keys.
func TestStatusJSON(t *testing.T) {
	text, err := json.Marshal(statusOf(nine, []seenTitle{seen("first", without)}, hands(without, 1), ""))
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{`"at":`, `"coordinators":["coordinator-1"]`, `"workers":1`, `"slots":1`, `"titles":[{"title":"first"`, `"open":true`, `"run":"000001"`, `"class":"overnight"`, `"chapters":3`, `"left":2`, `"step":"rendering"`, `"left_s":86.4`, `"closed_by":"2026-1`} {
		if !strings.Contains(string(text), key) {
			t.Errorf("%s is not in %s", key, text)
		}
	}
	if strings.Contains(string(text), `"due"`) {
		t.Error("no date is a date in JSON")
	}
}

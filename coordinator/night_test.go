package coordinator

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"

	"chapterhouse/pipeline"
	queuememory "chapterhouse/pipeline/queue/memory"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/memory"
	"chapterhouse/pipeline/store/storetest"
)

// TestNight: a title goes to its close, and what was closed is left alone.
func TestNight(t *testing.T) {
	w := newWorld(t)
	if run := w.submit(); run != "000001" {
		t.Errorf("run %q", run)
	}
	co := w.coordinator(w.store)
	seen := w.night(co)
	w.expectWhole(seen.Outcome)
	if got, want := w.state(), stood(1); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	// 5 sources and parts, 4 chapters with 2 files and a check each.
	for step, want := range map[pipeline.Step]int{pipeline.StepIntake: 5, pipeline.StepProfile: 5, pipeline.StepWeigh: 5, pipeline.StepFile: 8, pipeline.StepCheck: 4} {
		if got := count(w.made)[step]; got != want {
			t.Errorf("%d results of %s, want %d", got, step, want)
		}
	}
	if got, want := co.Work(), (Work{Profiled: 5, Weighed: 5, Rendered: 8}); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	// Speech of both is at the chain's reference after the fit.
	if len(seen.Outcome.Sessions) != 2 {
		t.Fatalf("%d sessions, want 2", len(seen.Outcome.Sessions))
	}
	for _, s := range seen.Outcome.Sessions {
		if s.Fit.Facts.SpeechDBFS < -22.1 || s.Fit.Facts.SpeechDBFS > -21.9 {
			t.Errorf("%s speaks at %v after the fit, want -22", s.Narrator, s.Fit.Facts.SpeechDBFS)
		}
	}
	// One narrator's chapters are hers alone, and her latest fit is known.
	for who, want := range map[string][]int{"ines": {1, 2, 4}, "tobias": {3, 4}} {
		var got []int
		for _, ch := range read[pipeline.Outcome](w, "narrators/"+who+"/titles/"+title+"/000001.json").Chapters {
			got = append(got, ch.Number)
		}
		if len(got) != len(want) {
			t.Errorf("%s: chapters %v, want %v", who, got, want)
		}
		last := read[NarratorState](w, narratorName(who)).Last["booth"]
		if last.Title != title || last.Run != "000001" || last.Fit.GainDB == 0 {
			t.Errorf("%s: last fit %+v", who, last)
		}
	}
	// Every pass over a closed title changes nothing and says the same.
	before := w.objects("")
	for _, co := range []*Coordinator{co, w.coordinator(w.store)} {
		again, err := co.Reconcile(t.Context(), title)
		if err != nil || !again.Closed || again.Outcome.Verdict != seen.Outcome.Verdict || len(again.Outcome.Chapters) != 4 {
			t.Errorf("%+v, %v", again, err)
		}
		if len(co.titles) > 0 {
			t.Error("a closed title is remembered")
		}
	}
	expectSame(t, "after another pass", w.objects(""), before)
	if w.answer() {
		t.Error("rung for a closed title")
	}
}

// TestIdempotent: each pass run twice, by two coordinators, is as good as once.
func TestIdempotent(t *testing.T) {
	want := reference(t, newWorld)
	w := newWorld(t)
	w.submit()
	a, b := w.coordinator(w.store), w.coordinator(w.store)
	for range 100 {
		one, err := a.Reconcile(t.Context(), title)
		if err != nil {
			t.Fatal(err)
		}
		before, waiting := w.objects(""), w.queue.(*queuememory.Queue).Len()
		for _, co := range []*Coordinator{a, b} {
			two, err := co.Reconcile(t.Context(), title)
			if err != nil || two.Step != one.Step && !one.Closed || two.Closed != one.Closed {
				t.Fatalf("step %s, closed %v, %v; want step %s, closed %v", two.Step, two.Closed, err, one.Step, one.Closed)
			}
		}
		expectSame(t, "a pass again", w.objects(""), before)
		if n := w.queue.(*queuememory.Queue).Len(); n != waiting {
			t.Errorf("%d rings, then %d", waiting, n)
		}
		if one.Closed {
			expectSame(t, "a night of doubled passes", w.results(), want)
			return
		}
		for w.answer() {
		}
	}
	t.Fatal("not closed")
}

// reference is what a night leaves that nothing disturbed.
func reference(t testing.TB, world func(testing.TB) *world) map[string]string {
	t.Helper()
	w := world(t)
	w.submitAndClose()
	return w.results()
}

// smallWorld has what a night may have and no more of it: a chapter of one
// narrator, one of two, one spec.
func smallWorld(t testing.TB) *world {
	w := newWorld(t)
	w.sub.Title.Chapters = []pipeline.TitleChapter{w.sub.Title.Chapters[0], w.sub.Title.Chapters[3]}
	w.sub.Sources = append(w.sub.Sources[:1:1], w.sub.Sources[3:]...)
	w.sub.Specs = w.sub.Specs[:1]
	return w
}

// TestCutOff fails the n-th call of the store, or loses its reply, for every n
// of a night. A fresh coordinator always ends with the same bytes.
func TestCutOff(t *testing.T) {
	want := reference(t, smallWorld)
	for name, fault := range map[string]storetest.Fault{"fail": storetest.Fail, "lose the reply": storetest.LoseReply, "conflict": storetest.Conflict} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for n := 1; ; n++ {
				w := smallWorld(t)
				faulty := storetest.Wrap(w.store, storetest.Nth(n, fault))
				_, err := Submit(t.Context(), faulty, w.sub, Order{})
				if err == nil {
					_, err = w.tryNight(w.coordinator(faulty))
				}
				if err != nil && !errors.Is(err, storetest.ErrFault) && !errors.Is(err, store.ErrConflict) && !errors.Is(err, store.ErrAbsent) {
					t.Fatalf("call %d: %v", n, err)
				}
				w.submit() // the same command again
				if seen := w.night(w.coordinator(w.store)); seen.Run != "000001" {
					t.Errorf("call %d: run %s", n, seen.Run)
				}
				expectSame(t, "cut off", w.results(), want)
				if t.Failed() {
					t.Fatalf("at call %d", n)
				}
				if faulty.Calls() < n {
					t.Logf("%d calls", faulty.Calls())
					return
				}
			}
		})
	}
}

// TestOvertaken lets a second coordinator bring the title to its close between
// any two calls of a first: there is one close and one standing, and both say
// what stands. In every second round the two do not see the same: a chapter is
// given up by the one and was pending to the other.
func TestOvertaken(t *testing.T) {
	want := reference(t, smallWorld)
	for n := 1; ; n++ {
		w := smallWorld(t)
		w.submit()
		var swaps []string
		slow := storetest.Wrap(w.store, func(c storetest.Call) storetest.Fault {
			if c.N == n {
				if n%2 == 0 {
					w.failing(pipeline.StepFile, "01-1.flac", pipeline.Crash, -1)
				}
				w.night(w.coordinator(w.store))
				w.failing(pipeline.StepFile, "01-1.flac", pipeline.Crash, 0)
			}
			if c.Op == "Swap" && strings.HasPrefix(c.Name, "titles/") {
				swaps = append(swaps, c.Name)
			}
			return storetest.None
		})
		seen, err := w.tryNight(w.coordinator(slow))
		if err != nil {
			t.Fatalf("call %d: %v", n, err)
		}
		text, err := pipeline.Canonical(seen.Outcome)
		if err != nil {
			t.Fatal(err)
		}
		name := runName(title, "000001", "close")
		if stands := w.objects(name)[name]; stands != string(text) {
			t.Fatalf("overtaken at call %d: the close that stands is\n%s, and said was\n%s", n, stands, text)
		}
		if got := w.state(); got != stood(1) {
			t.Errorf("%+v", got)
		}
		if n%2 == 1 {
			expectSame(t, "overtaken", w.results(), want)
		}
		if t.Failed() {
			t.Fatalf("at call %d (%v)", n, swaps)
		}
		if slow.Calls() < n {
			return
		}
	}
}

// TestTogether runs coordinators and hands at once.
func TestTogether(t *testing.T) {
	want := reference(t, smallWorld)
	for range 20 {
		w := smallWorld(t)
		w.submit()
		var stood, closed int
		counted := storetest.Wrap(w.store, func(storetest.Call) storetest.Fault { return storetest.None })
		watched := swaps{counted, func(name string) {
			switch name {
			case titleName(title):
				stood++
			case runName(title, "000001", "close"):
				closed++
			}
		}, &sync.Mutex{}}
		one := w.coordinator(watched)
		var all sync.WaitGroup
		for _, co := range []*Coordinator{one, one, w.coordinator(watched)} {
			all.Go(func() {
				for {
					seen, err := co.Reconcile(context.Background(), title)
					if err != nil {
						t.Error(err)
						return
					}
					if seen.Closed {
						return
					}
					w.answer()
				}
			})
		}
		all.Wait()
		expectSame(t, "together", w.results(), want)
		if stood != 1 || closed != 1 {
			t.Errorf("closed %d times, stood %d times", closed, stood)
		}
	}
}

// swaps is a store that tells of each Swap that succeeded.
type swaps struct {
	store.Store
	done func(name string)
	mu   *sync.Mutex
}

func (s swaps) Swap(ctx context.Context, name string, old store.Version, data []byte) (store.Version, error) {
	v, err := s.Store.Swap(ctx, name, old, data)
	if err == nil {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.done(name)
	}
	return v, err
}

// TestPin: what is there already replaces all that we had.
func TestPin(t *testing.T) {
	s := memory.New()
	theirs := pipeline.Gains{Specs: map[string]pipeline.LevelRecord{"a": {Notes: []string{"theirs"}}}}
	if err := pin(t.Context(), s, "x", &theirs); err != nil {
		t.Fatal(err)
	}
	ours := pipeline.Gains{Specs: map[string]pipeline.LevelRecord{"b": {Notes: []string{"ours"}}}}
	if err := pin(t.Context(), s, "x", &ours); err != nil {
		t.Fatal(err)
	}
	if len(ours.Specs) != 1 || ours.Specs["a"].Notes[0] != "theirs" {
		t.Errorf("%+v, want what was pinned and nothing else", ours)
	}
}

// TestNobodySubmitted: a title that nobody submitted is an error, not a wait.
func TestNobodySubmitted(t *testing.T) {
	w := newWorld(t)
	if _, err := w.coordinator(w.store).Reconcile(t.Context(), title); !errors.Is(err, store.ErrAbsent) {
		t.Errorf("%v", err)
	}
}

// TestSameRecording: two chapters of one recording are both made, from results
// that are there once.
func TestSameRecording(t *testing.T) {
	w := newWorld(t)
	_, first := w.of("01-1.flac")
	first.contents = "01-1.flac"
	w.chapter(5, "Low Water Again", "ines", first)
	seen, made := w.submitAndClose()
	w.expectWhole(seen.Outcome)
	if made[pipeline.StepProfile] != 5 {
		t.Errorf("%d profiles were made, want 5", made[pipeline.StepProfile])
	}
}

// TestRunMeanwhile: a coordinator that has read a run's profiles goes on with
// them in a run that comes meanwhile.
func TestRunMeanwhile(t *testing.T) {
	w := newWorld(t)
	w.submit()
	co := w.coordinator(w.store)
	for step := pipeline.Step(""); step != pipeline.StepFile; {
		seen, err := co.Reconcile(t.Context(), title)
		if err != nil {
			t.Fatal(err)
		}
		if step = seen.Step; step != pipeline.StepFile {
			for w.answer() {
			}
		}
	}
	before := len(w.made)
	w.sub.Narrators["tobias"] = narrator("tobias", 120)
	w.submit()
	w.expectWhole(w.night(co).Outcome)
	if made := count(w.made[before:]); made[pipeline.StepProfile] != 0 || made[pipeline.StepWeigh] != 2 {
		t.Errorf("%v were made after the second run was wanted", made)
	}
}

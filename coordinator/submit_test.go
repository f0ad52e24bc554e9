package coordinator

import (
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/storetest"
)

// TestSubmit: the same again is the same run, anything else is the next one,
// also what was submitted long before.
func TestSubmit(t *testing.T) {
	w := newWorld(t)
	for i, c := range []struct{ name, run string }{
		{"The Salt Road", "000001"}, {"The Salt Road", "000001"}, {"The Pepper Road", "000002"},
		{"The Pepper Road", "000002"}, {"The Salt Road", "000003"}, {"The Salt Road", "000003"},
	} {
		w.sub.Title.Name = c.name
		if run := w.submit(); run != c.run {
			t.Errorf("submission %d: run %s, want %s", i+1, run, c.run)
		}
	}
	if got := w.state(); got != (pipeline.TitleState{Rev: 3, Seq: 3, Wanted: "000003", Class: string(queue.Overnight)}) {
		t.Errorf("%+v", got)
	}
}

// TestSubmitTogether: of many at once each gets a run, seq rises by one each
// time, and what is wanted was written down before.
func TestSubmitTogether(t *testing.T) {
	for range 20 {
		w := newWorld(t)
		var seqs []int
		watched := swaps{w.store, func(name string) {
			if name != titleName(title) {
				return
			}
			state := w.state()
			seqs = append(seqs, state.Seq)
			if !w.there(runName(title, state.Wanted, "submit")) {
				t.Errorf("run %s is wanted before it is written down", state.Wanted)
			}
		}, &sync.Mutex{}}
		const many = 8
		runs := make([]string, many)
		var all sync.WaitGroup
		for i := range many {
			all.Go(func() {
				sub := w.sub
				sub.Title.Name = fmt.Sprintf("Draft %d", i/2) // two of each
				run, err := Submit(t.Context(), watched, sub, Order{Class: queue.Overnight})
				if err != nil {
					t.Error(err)
				}
				runs[i] = run
			})
		}
		all.Wait()
		for i, run := range runs {
			if got := read[pipeline.Submission](w, runName(title, run, "submit")).Title.Name; got != fmt.Sprintf("Draft %d", i/2) {
				t.Errorf("submission %d has run %s, which is %s", i, run, got)
			}
		}
		for i, seq := range seqs {
			if i > 0 && seq < seqs[i-1] {
				t.Errorf("seq %v", seqs)
			}
		}
		if got := w.state().Seq; got < many/2 {
			t.Errorf("seq %d after %d different submissions", got, many/2)
		}
	}
}

// TestSubmitOvertaken lets two others submit between any two calls of a
// submission: seq never goes back, and each has the run of its own words.
func TestSubmitOvertaken(t *testing.T) {
	for n := 1; ; n++ {
		w := newWorld(t)
		last, overtaken := 0, false
		watched := swaps{w.store, func(name string) {
			if name != titleName(title) {
				return
			}
			if seq := w.state().Seq; seq <= last {
				t.Errorf("overtaken at call %d: seq %d after %d", n, seq, last)
			} else {
				last = seq
			}
		}, &sync.Mutex{}}
		runs := map[string]string{}
		submit := func(s store.Store, name string) {
			sub := w.sub
			sub.Title.Name = name
			run, err := Submit(t.Context(), s, sub, Order{Class: queue.Overnight})
			if err != nil {
				t.Fatalf("overtaken at call %d: %v", n, err)
			}
			runs[name] = run
		}
		submit(storetest.Wrap(watched, func(c storetest.Call) storetest.Fault {
			if c.N == n {
				overtaken = true
				submit(watched, "second")
				submit(watched, "third")
			}
			return storetest.None
		}), "first")
		for name, run := range runs {
			if got := read[pipeline.Submission](w, runName(title, run, "submit")).Title.Name; got != name {
				t.Errorf("overtaken at call %d: %s has run %s, which is %s", n, name, run, got)
			}
		}
		if !overtaken || t.Failed() {
			return
		}
	}
}

// TestNewerWins submits anew at every call of a running night: only the newer
// run stands, the older one is never closed over it, what both need is made once.
func TestNewerWins(t *testing.T) {
	for n := 1; ; n++ {
		w := smallWorld(t)
		w.submit()
		newer := w.sub
		newer.Narrators = map[string]pipeline.Narrator{"ines": narrator("ines", 80), "tobias": narrator("tobias", 120)}
		submitted := 0
		var before pipeline.TitleState
		watched := swaps{w.store, func(name string) {
			if name != titleName(title) {
				return
			}
			now := w.state()
			if before.Wanted == "000002" && now.Standing != before.Standing && now.Standing != "000002" {
				t.Errorf("submitted at call %d: %+v after %+v", n, now, before)
			}
			before = now
		}, &sync.Mutex{}}
		slow := storetest.Wrap(watched, func(c storetest.Call) storetest.Fault {
			if c.N == n {
				submitted++
				w.sub = newer
				w.submit()
				before = w.state()
			}
			return storetest.None
		})
		co := w.coordinator(slow)
		seen := w.night(co)
		if submitted > 0 && seen.Run == "000001" { // it was closed just before
			seen = w.night(co)
		}
		if submitted == 0 {
			break
		}
		if seen.Run != "000002" || w.state().Seq != 2 || w.state().Wanted != "000002" || w.state().Standing != "000002" {
			t.Fatalf("submitted at call %d: run %s, %+v", n, seen.Run, w.state())
		}
		if seen.Outcome.Run != "000002" {
			t.Errorf("the close is of run %s", seen.Outcome.Run)
		}
		if !w.there(runName(title, "000002", "close")) {
			t.Error("the newer run is not closed")
		}
		made := map[pipeline.Digest]int{}
		for _, r := range w.made {
			if made[r.Key()]++; made[r.Key()] > 1 {
				t.Errorf("submitted at call %d: a %s was made twice", n, r.Step)
			}
		}
		if c := count(w.made); c[pipeline.StepIntake] != 3 || c[pipeline.StepProfile] != 3 {
			t.Errorf("submitted at call %d: %v", n, c)
		}
		last := read[NarratorState](w, narratorName("tobias")).Last["booth"]
		if last.Run != "000002" {
			t.Errorf("submitted at call %d: the latest fit is of run %s", n, last.Run)
		}
		if t.Failed() {
			return
		}
	}
}

// TestForgiveMeanwhile: what was given up in a run that is not over yet is
// tried again by a coordinator that saw it given up.
func TestForgiveMeanwhile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.again = time.Second
		w.failing(pipeline.StepFile, "02-1.flac", pipeline.Crash, -1)
		crash := w.fail
		w.fail = func(r pipeline.Recipe) *pipeline.Failure {
			if held, _ := w.of("03-1.flac"); r.Step == pipeline.StepFile && r.File.Parts[0].Cut.Source == held {
				return &pipeline.Failure{Kind: pipeline.Infra, Text: "the disk is full"}
			}
			return crash(r)
		}
		w.submit()
		co := w.coordinator(w.store)
		for holes := 0; holes == 0; {
			seen, err := co.Reconcile(t.Context(), title)
			if err != nil || seen.Closed {
				t.Fatalf("closed %v, %v", seen.Closed, err)
			}
			for _, ch := range seen.Chapters {
				if ch.Hole != "" {
					holes++
				}
			}
			for w.answer() {
			}
			time.Sleep(w.again)
		}
		again, err := Forgive(t.Context(), w.store, title)
		if err != nil {
			t.Fatal(err)
		}
		w.fail = nil
		w.sub.Again = again
		w.submit()
		w.expectWhole(w.night(co).Outcome)
	})
}

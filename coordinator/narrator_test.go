package coordinator

import (
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
)

// another submits what w has as another title and works until it is closed.
func (w *world) another(slug string, co *Coordinator) Title {
	w.t.Helper()
	sub := w.sub
	sub.Title.Slug = slug
	if _, err := Submit(w.t.Context(), w.store, sub, Order{Class: queue.Overnight}); err != nil {
		w.t.Fatal(err)
	}
	for range 200 {
		seen, err := co.Reconcile(w.t.Context(), slug)
		if err != nil {
			w.t.Fatal(err)
		}
		if seen.Closed {
			return seen
		}
		for w.answer() {
		}
	}
	w.t.Fatal("not closed")
	return Title{}
}

// TestNarratorHistory: what a title leaves of its narrators stands in the plan of
// the next one, and is the same again when it is made from the runs.
func TestNarratorHistory(t *testing.T) {
	w := newWorld(t)
	w.sub.Notes = []pipeline.Note{
		{Chapter: 1, AtS: 10, Kind: "misread", Page: "3", Line: "1"}, {Chapter: 1, AtS: 90, Kind: "misread"},
		{Chapter: 3, AtS: 20, Kind: "recut"}, {Chapter: 4, AtS: 400, Kind: "noise"},
	}
	first, _ := w.submitAndClose()
	ch := first.Outcome.Chapters[0]
	if ch.Verdict != pipeline.Listen || len(ch.Findings) != 2 || ch.Findings[0].Page != "3" || ch.Findings[0].Act != pipeline.Pickup {
		t.Fatalf("%s: %+v", ch.Verdict, ch.Findings)
	}
	// Decided on in source time: the file's first word stands behind its head.
	var decided []pipeline.Decision
	for _, f := range []pipeline.Finding{ch.Findings[0], ch.Findings[1]} {
		decided = append(decided, pipeline.Decision{Check: "note", Chapter: 1, AtS: f.StartS, Why: "it is meant"})
	}
	w.sub.Decisions = decided
	second, made := w.submitAndClose()
	if len(made) > 0 || second.Outcome.Chapters[0].Verdict != pipeline.Ready {
		t.Errorf("a decision made %v, and the chapter is %s", made, second.Outcome.Chapters[0].Verdict)
	}
	if plan := read[pipeline.Plan](w, runName(title, "000002", "plan")); len(plan.History) > 0 || len(plan.Tallies) > 0 {
		t.Errorf("a title stands in its own history: %+v %+v", plan.History, plan.Tallies)
	}
	ines := read[NarratorState](w, narratorName("ines"))
	if len(ines.Titles) != 1 || ines.Titles[0].Run != "000002" || len(ines.Titles[0].Sessions) != 1 {
		t.Fatalf("%+v", ines.Titles)
	}
	if p := ines.Titles[0].Sessions[0]; p.Chapters != 3 || p.Likeness.Speech != -24 || p.Likeness.Floor != -66 {
		t.Errorf("%+v", p)
	}
	// The fourth chapter's 400 s are in tobias's part.
	if got := ines.Titles[0].Tallies; len(got) != 1 || got[0].Check != "note" || got[0].Found != 2 || got[0].Dismissed != 2 {
		t.Errorf("%+v", got)
	}
	if got := read[NarratorState](w, narratorName("tobias")).Titles[0].Tallies; len(got) != 2 || got[1].Check != "note" || got[1].Found != 2 || got[1].Dismissed != 0 {
		t.Errorf("%+v", got)
	}

	w.sub.Notes, w.sub.Decisions = nil, nil
	co := w.coordinator(w.store)
	w.another("an-orchard", co)
	third := w.another("zinc", co)
	plan := read[pipeline.Plan](w, runName("zinc", "000001", "plan"))
	if got := plan.History["ines"]; len(got) != 2 || got[0].Title != title || got[1].Title != "an-orchard" {
		t.Errorf("pinned: %+v", got)
	}
	if got := third.Outcome.Dismissed; len(got) != 1 || got[0].Narrator != "ines" || got[0].Found != 2 || got[0].Dismissed != 2 || got[0].Spared != 0 {
		t.Errorf("dismissed: %+v", got)
	}
	if got := read[NarratorState](w, narratorName("ines")).Titles; len(got) != 3 || got[2].Title != "zinc" {
		t.Errorf("the latest is not last: %+v", got)
	}

	// An earlier run that is derived again takes nothing back.
	before := w.objects("narrators/")
	old := &pass{c: co, title: title, run: "000001", sub: w.sub}
	w.delete(shareName("ines", title, "000001"))
	if err := old.derive(t.Context(), first.Outcome); err != nil {
		t.Fatal(err)
	}
	if got := read[NarratorState](w, narratorName("ines")).Titles; len(got) != 3 || got[0].Run != "000002" {
		t.Errorf("%+v", got)
	}
	delete(before, narratorName("ines")) // its latest fits are those of whatever came last

	want := read[NarratorState](w, narratorName("ines")).Titles
	w.cut(narratorName("ines"))
	if done := w.repair(); done.Left() > 0 {
		t.Errorf("left: %+v", done.Faults)
	}
	got := read[NarratorState](w, narratorName("ines")).Titles
	if len(got) != 3 || got[0].Title != "an-orchard" || got[1].Title != title || got[2].Title != "zinc" {
		t.Fatalf("made again: %+v", got)
	}
	for i, j := range map[int]int{0: 1, 1: 0, 2: 2} {
		x, errX := pipeline.Canonical(got[i])
		y, errY := pipeline.Canonical(want[j])
		if errX != nil || errY != nil || string(x) != string(y) {
			t.Errorf("made again as\n%s\nnot\n%s", x, y)
		}
	}
	after := w.objects("narrators/")
	delete(after, narratorName("ines"))
	expectSame(t, "beside it", after, before)
}

// TestNarratorHistoryIsBounded: a plan pins the latest sessions alone.
func TestNarratorHistoryIsBounded(t *testing.T) {
	var n NarratorState
	for i := range 100 {
		n.Titles = append(n.Titles, NarratedTitle{Title: string(rune('a' + i)), Sessions: []pipeline.Past{{Title: string(rune('a' + i))}}})
	}
	if got, _ := n.before("none"); len(got) != maxHistory || got[maxHistory-1].Title != n.Titles[99].Title {
		t.Errorf("%d, the last %+v", len(got), got[len(got)-1])
	}
}

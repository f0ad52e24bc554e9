package main

import (
	"slices"
	"strings"
	"testing"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house"
	"chapterhouse/pipeline/queue"
)

// submitted is what the demo's short title was submitted with, and its house.
func submitted(t *testing.T) (pipeline.Submission, *house.House) {
	t.Helper()
	h, err := house.Load(demo)
	if err != nil {
		t.Fatal(err)
	}
	sub := pipeline.Submission{
		House: h.Settings.House, Settings: h.Settings, Narrators: map[string]pipeline.Narrator{"ines-marlow": h.Narrators["ines-marlow"]},
		Specs: []pipeline.Spec{h.Specs["lossless"], h.Specs["retail"]},
		Title: pipeline.Title{Slug: "short", Chapters: []pipeline.TitleChapter{{Parts: []pipeline.TitlePart{{File: "1.wav", Narrator: "ines-marlow", Setup: "cupboard"}}}}},
	}
	sub.Title.Findings = h.Notices(sub.Title)
	return sub, h
}

// TestRenewed: what a rerun takes from the house, and what it says of it.
func TestRenewed(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*house.House)
		err    string
		differ []string
	}{
		{"nothing", func(*house.House) {}, "", nil},
		{"a chain", func(h *house.House) {
			s := h.Narrators["ines-marlow"].Setups["cupboard"]
			s.Chain = h.Narrators["tobias-wren"].Setups["stair-room"].Chain
			h.Narrators["ines-marlow"].Setups["cupboard"] = s
		}, "", []string{"the chain of ines-marlow, cupboard, is another: what they read is made anew"}},
		{"the chain of someone else", func(h *house.House) { delete(h.Narrators, "tobias-wren") }, "", nil},
		{"a limit", func(h *house.House) {
			s := h.Specs["retail"]
			s.Limits.MaxMinutes = 7
			h.Specs["retail"] = s
		}, "", []string{"retail has other limits or names: judged and named anew, no file is"}},
		{"a sound", func(h *house.House) {
			s := h.Specs["lossless"]
			s.Sound.Peak.MaxDBTP--
			h.Specs["lossless"] = s
		}, "", []string{"lossless asks for another sound: its files are made anew"}},
		{"a narrator who is gone", func(h *house.House) { delete(h.Narrators, "ines-marlow") }, "no narrator ines-marlow any more: push one, or submit the title from its folder", nil},
		{"a spec that is gone", func(h *house.House) { delete(h.Specs, "retail") }, "no spec retail any more, only broadcast, lossless, streaming-speech: push it, or submit the title from its folder", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			last, _ := submitted(t)
			_, h := submitted(t)
			c.change(h)
			now, err := renewed(last, h)
			if c.err != "" {
				if err == nil || !strings.Contains(err.Error(), c.err) {
					t.Errorf("%v, not %q", err, c.err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if got := differs(last, now); !slices.Equal(got, c.differ) {
				t.Errorf("%q, not %q", got, c.differ)
			}
			if same(last, now) != (len(c.differ) == 0) {
				t.Error("the submission is another run where nothing that counts changed, or the same where it did")
			}
		})
	}
}

// TestOrder: flags over the order that a title has.
func TestOrder(t *testing.T) {
	due := time.Date(2026, 12, 1, 6, 0, 0, 0, time.Local)
	had := coordinator.Order{Class: queue.Rush, Due: due}
	for _, c := range []struct {
		class, due string
		want       coordinator.Order
		text       string
	}{
		{"", "", had, "rush, due Tue 1 Dec 06:00"},
		{"overnight", "", coordinator.Order{Class: queue.Overnight, Due: due}, "overnight, due Tue 1 Dec 06:00"},
		{"", "none", coordinator.Order{Class: queue.Rush}, "rush, no due date"},
		{"", "2026-12-02T07:30", coordinator.Order{Class: queue.Rush, Due: due.Add(25*time.Hour + 30*time.Minute)}, "rush, due Wed 2 Dec 07:30"},
		{"", "2026-12-02 07:30", coordinator.Order{Class: queue.Rush, Due: due.Add(25*time.Hour + 30*time.Minute)}, "rush, due Wed 2 Dec 07:30"},
		{"", "2026-12-02T07:30:00+01:00", coordinator.Order{Class: queue.Rush, Due: time.Date(2026, 12, 2, 6, 30, 0, 0, time.UTC)}, ""},
	} {
		got, err := orderFlags{c.class, c.due}.over(submitCommand(), had)
		if err != nil || got.Class != c.want.Class || !got.Due.Equal(c.want.Due) || c.text != "" && orderText(got) != c.text {
			t.Errorf("%q, %q: %v, %v, said as %q", c.class, c.due, got, err, orderText(got))
		}
	}
}

// TestDiffersFromWhatStands: the run that stands may have been made for other
// specs than those of the last submission.
func TestDiffersFromWhatStands(t *testing.T) {
	stands, _ := submitted(t)
	now, _ := submitted(t)
	stands.Specs = stands.Specs[1:]
	want := []string{"lossless was not asked for before: its files are made"}
	if got := differs(stands, now); !slices.Equal(got, want) {
		t.Errorf("%q, not %q", got, want)
	}
}

// TestOrderText: a slip in a date's year shows.
func TestOrderText(t *testing.T) {
	now := time.Now()
	late := time.Date(now.Year()-1, time.January, 1, 6, 0, 0, 0, time.Local)
	if got, want := orderText(coordinator.Order{Due: late}), "overnight, due "+late.Format("Mon 2 Jan 2006 15:04")+", which is past"; got != want {
		t.Errorf("%q, not %q", got, want)
	}
	soon := now.AddDate(1, 0, 0)
	if got, want := orderText(coordinator.Order{Class: queue.Rush, Due: soon}), "rush, due "+soon.Format("Mon 2 Jan 2006 15:04"); got != want {
		t.Errorf("%q, not %q", got, want)
	}
}

package pipeline

import "testing"

// TestNoted: a note stands where its time in the file leads, those of one place
// together, and nothing is lost to the merging of findings.
func TestNoted(t *testing.T) {
	bodies := Bodies{{Source: "a", Path: "a.wav", FileS: 0.75, SourceS: 0.5, LengthS: 57.5}, {Source: "b", Path: "b.wav", FileS: 60, SourceS: 101, LengthS: 30}}
	notes := []Note{
		{Chapter: 1, AtS: 70.2, Page: "12", Line: "4", Kind: "misread", Text: "a gate, not the gate"},
		{Chapter: 1, AtS: 70, Kind: "noise"},
		{Chapter: 1, AtS: 10, Kind: "recut", Text: "read twice"},
		{Chapter: 1, AtS: 900, Kind: "late"},
		{Chapter: 1, AtS: 94, Kind: "breath"},
		{Chapter: 2, AtS: 1, Kind: "other"},
		{Chapter: 7, AtS: 1, Kind: "stray"},
	}
	got, verdict := Judge(Noted(notes, 1, bodies), 1, []Decision{{Check: "note", Chapter: 1, AtS: 9.8, Why: "it is meant"}})
	if verdict != Listen || len(got) != 4 {
		t.Fatalf("%s: %+v", verdict, got)
	}
	if f := got[0]; f.Source != "a" || f.Path != "a.wav" || f.StartS != 9.75 || f.Act != Recut || f.Measured != "recut: read twice" || f.Accepted == "" {
		t.Errorf("%+v", f)
	}
	if f := got[1]; f.Source != "b" || f.StartS != 111 || f.Act != Pickup || f.Measured != "noise; misread: a gate, not the gate" || f.Page != "12" || f.Line != "4" {
		t.Errorf("%+v", f)
	}
	if f := got[3]; f.Source != "" || f.Check != StrayNoteCheck || f.Act != "" || f.Do != "correct the time in notes.csv: 15:00.0 lies behind the chapter's end at 1:30.0" {
		t.Errorf("%+v", f)
	}
	if f := got[2]; f.Source != "b" || f.StartS != 131 || f.Act != Pickup {
		t.Errorf("in the tail: %+v", f)
	}
	if got := Noted(notes, 2, nil); len(got) != 1 || got[0].Source != "" || got[0].Weight != Listen || got[0].Act != "" {
		t.Errorf("a hole: %+v", got)
	}
	if got := StrayNotes(notes, []ChapterOutcome{{Number: 1}, {Number: 2}}); len(got) != 1 || got[0].Weight != Listen || got[0].Measured != "stray" {
		t.Errorf("strays: %+v", got)
	}
}

package pipeline

import (
	"fmt"
	"slices"
	"strings"
)

// A Note is what a proof-listener wrote down of a place.
type Note struct {
	Chapter int     `json:"chapter"` // number
	AtS     float64 `json:"at_s"`    // seconds into the chapter's file
	Page    string  `json:"page,omitempty"`
	Line    string  `json:"line,omitempty"`
	Kind    string  `json:"kind"`
	Text    string  `json:"text,omitempty"`
}

// noteCheck is the name that findings from notes go by.
const noteCheck = "note"

// StrayNoteCheck is the name that notes go by that lead nowhere.
const StrayNoteCheck = "stray-note"

// StrayNote is the finding of a note that leads nowhere: what was noted has not
// been listened to, and who corrects it is whoever wrote it, not the narrator.
func StrayNote(measured, do string) Finding {
	return Finding{Check: StrayNoteCheck, Measured: measured, Do: do, Weight: Listen}
}

func (n Note) stray(measured, do string) Finding {
	f := StrayNote(measured, do)
	f.Page, f.Line = n.Page, n.Line
	return f
}

// Noted are the findings that notes are of a chapter whose recordings stand in
// its file as bodies tell. Notes at one place are one finding.
func Noted(notes []Note, chapter int, bodies Bodies) (out []Finding) {
	var mine []Note
	for _, n := range notes {
		if n.Chapter == chapter {
			mine = append(mine, n)
		}
	}
	slices.SortStableFunc(mine, func(a, b Note) int {
		switch {
		case a.AtS < b.AtS:
			return -1
		case a.AtS > b.AtS:
			return 1
		}
		return 0
	})
	end := 0.0
	if len(bodies) > 0 {
		last := bodies[len(bodies)-1]
		end = last.FileS + last.LengthS
	}
	for _, n := range mine {
		f := Finding{
			Check: noteCheck, Measured: strings.TrimSuffix(n.Kind+": "+n.Text, ": "), Page: n.Page, Line: n.Line, Weight: Listen,
			Act: Pickup, Do: "listen there, and have the line read again where the note is right",
		}
		if act := Act(n.Kind); slices.Contains(Acts(), act) {
			f.Act, f.Do = act, "listen there, and do as the note says where it is right"
		}
		body, s, ok := bodies.InSource(n.AtS)
		switch {
		case !ok:
			f = n.stray(f.Measured, fmt.Sprintf("the chapter has no file to find %s in: look at the note again when it has one", Clock(n.AtS)))
		case n.AtS > end+noteBeyondS:
			f = n.stray(f.Measured, fmt.Sprintf("correct the time in notes.csv: %s lies behind the chapter's end at %s", Clock(n.AtS), Clock(end)))
		default:
			f.Source, f.Path, f.StartS, f.EndS = body.Source, body.Path, s, s
		}
		if i := len(out) - 1; i >= 0 && (f.Source != "" || f.Do == out[i].Do) && f.Same(out[i]) {
			out[i].join(f)
			continue
		}
		out = append(out, f)
	}
	return out
}

// join takes another note at the same place in, with its page and line.
func (f *Finding) join(g Finding) {
	f.Measured += "; " + g.Measured
	switch {
	case f.Page == "" && f.Line == "":
		f.Page, f.Line = g.Page, g.Line
	case (g.Page != "" || g.Line != "") && (f.Page != g.Page || f.Line != g.Line):
		f.Measured += " (page " + g.Page + ", line " + g.Line + ")"
	}
}

// noteBeyondS is how far behind the last word a note may be written: a file's
// longest tail (5 s, common practice), and a second for rounding.
const noteBeyondS = 6

// StrayNotes are notes on chapters that a run does not have.
func StrayNotes(notes []Note, chapters []ChapterOutcome) (out []Finding) {
	for _, n := range notes {
		if !slices.ContainsFunc(chapters, func(ch ChapterOutcome) bool { return ch.Number == n.Chapter }) {
			out = append(out, n.stray(
				strings.TrimSuffix(n.Kind+": "+n.Text, ": "),
				fmt.Sprintf("correct the chapter's number of the note at %s of chapter %d in notes.csv: this run does not have it", Clock(n.AtS), n.Chapter)))
		}
	}
	return out
}

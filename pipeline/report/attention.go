package report

import (
	"io"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/attention"
)

// attention is a report's list of places to go to.
func (r Report) attention() attention.List {
	if r.Attention != nil {
		return *r.Attention
	}
	return attention.Of(r.Outcome)
}

// Attention writes a morning's list for a person at a terminal: chapters by
// urgency, each with its places.
func Attention(w io.Writer, l attention.List) error {
	t := &text{w: w}
	t.line("%s · run %s", l.Name, l.Run)
	t.line("")
	t.attention(l)
	t.dismissed(l.Dismissed)
	if len(l.Chapters) > 0 || len(l.Whole) > 0 {
		t.cautions()
	}
	return t.err
}

func (t *text) attention(l attention.List) {
	if len(l.Chapters) == 0 && len(l.Whole) == 0 {
		t.line("where to listen: nowhere, no finding asks for an ear%s", below(l))
		t.line("")
		return
	}
	in := "the source"
	if l.Spec != "" {
		in = sprintf("the %s files, and in the source behind it", l.Spec)
	}
	t.line("where to listen, most urgent first; times are in %s%s", in, below(l))
	for _, c := range l.Chapters {
		t.line("")
		t.line("%d %s: %s", c.Number, c.Name, c.Verdict)
		t.places(c.Places)
	}
	if len(l.Whole) > 0 {
		t.line("")
		t.line("the title as a whole")
		t.places(l.Whole)
	}
	t.line("")
}

// below is what lies below the fold.
func below(l attention.List) string {
	all := nonEmpty(some(l.Quiet, "chapters ask for nothing"), some(l.Notices, "softer findings below"))
	if l.Quiet == 1 {
		all[0] = "1 chapter asks for nothing"
	}
	if l.Notices == 1 {
		all[len(all)-1] = "1 softer finding below"
	}
	if len(all) == 0 {
		return ""
	}
	return " (" + strings.Join(all, ", ") + ")"
}

func (t *text) places(places []attention.Place) {
	var rows [][]string
	for _, p := range places {
		at := p.InFile
		if at == "" {
			at = "–"
		}
		row := []string{at, string(p.Weight), kind(p.Finding), measured(p.Finding), whatToDo(p)}
		if more := nonEmpty(place(p.Finding), pageOf(p.Finding)); len(more) > 0 {
			row = append(row, strings.Join(more, ", "))
		}
		if p.Clip != "" {
			row = append(row, clipFolder+p.Clip)
		}
		rows = append(rows, row)
	}
	t.table(rows)
}

// clipFolder is where clips lie beside the report.
const clipFolder = "attention/clips/"

func measured(f pipeline.Finding) string {
	if f.Limit != "" && f.Limit != "none" {
		return f.Measured + " (limit " + f.Limit + ")"
	}
	return f.Measured
}

// whatToDo is a place's kind of work, and the sentence.
func whatToDo(p attention.Place) string {
	return strings.Join(nonEmpty(p.Words, p.Do), ": ")
}

// pageOf is where a place is in the book.
func pageOf(f pipeline.Finding) string {
	var all []string
	if f.Page != "" {
		all = append(all, "page "+f.Page)
	}
	if f.Line != "" {
		all = append(all, "line "+f.Line)
	}
	return strings.Join(all, ", ")
}

// dismissed says which checks' findings people dismiss, and what would spare them some.
func (t *text) dismissed(all []pipeline.Dismissal) {
	if len(all) == 0 {
		return
	}
	for _, d := range all {
		t.line("%s", Dismissed(d))
	}
	t.line("")
}

// Dismissed is a line of what is dismissed of a check.
func Dismissed(d pipeline.Dismissal) string {
	s := sprintf("%s: %d of %s dismissed", d.Check, d.Dismissed, count(d.Found, "finding"))
	if d.Narrator != "" {
		s = d.Narrator + ", " + s
	}
	if d.Spared > 0 {
		s += sprintf("; a limit of %g %s would have spared %d, and none that stands", d.Limit, d.Unit, d.Spared)
	}
	return s
}

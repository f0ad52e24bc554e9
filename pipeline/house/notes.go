package house

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

const (
	notesFile     = "notes.csv"
	maxNotesBytes = 1 << 20
	maxNotes      = 10000
	maxNoteFaults = 100 // more are not told one by one
)

// noteColumns is the header of notes.csv.
func noteColumns() []string { return []string{"chapter", "time", "page", "line", "kind", "text"} }

// Notes reads what a proof-listener wrote down of a title, in notes.csv in its
// folder; none where there is no such file. It is a table as spreadsheets
// write it (RFC 4180, UTF-8, commas or semicolons) with the header chapter, time,
// page, line, kind, text: the chapter's number, the time in its file (pipeline.ParseClock),
// and of page, line and text what there is. A line with a fault is left out and
// told as a stray note, with its place and what to do; the others are read.
func (h *House) Notes(folder string, t pipeline.Title) (notes []pipeline.Note, stray []pipeline.Finding, err error) {
	folder, err = filepath.Abs(folder)
	if err != nil {
		return nil, nil, pipeline.Errorf(pipeline.House, "open title", "%w", err)
	}
	r, err := open(h.Root, folder)
	if err != nil {
		return nil, nil, err
	}
	defer r.close()
	if !r.has(notesFile) {
		return nil, nil, nil
	}
	if text, ok := r.content(notesFile, maxNotesBytes); ok {
		notes = r.notes(text, t)
	}
	for _, f := range r.faults {
		place, wrong, do := told(f)
		stray = append(stray, pipeline.StrayNote("left out: "+wrong, place+": "+do))
	}
	return notes, stray, nil
}

// A noteTable is the rows of notes.csv from some line on.
type noteTable struct {
	*csv.Reader
	before int // lines of the file
}

// place is where a cell of the row at hand stands in the file.
func (t noteTable) place(cell int) (line, column int) {
	line, column = t.FieldPos(cell)
	return t.before + line, column
}

// noteRows reads text, without its first lines.
func noteRows(text []byte, before int) noteTable {
	head, _, _ := bytes.Cut(text, []byte("\n"))
	for range before {
		_, text, _ = bytes.Cut(text, []byte("\n"))
	}
	t := noteTable{csv.NewReader(bytes.NewReader(text)), before}
	t.FieldsPerRecord = -1
	if bytes.Contains(head, []byte(";")) {
		t.Comma = ';'
	}
	return t
}

// notes reads the table, and says at line and column what is wrong in it.
func (r *reader) notes(text []byte, t pipeline.Title) (notes []pipeline.Note) {
	say := func(line, column int, format string, args ...any) {
		r.say(Fault{File: r.name(notesFile), Line: line, Column: column, Text: fmt.Sprintf(format, args...)})
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	if len(text) > maxNotesBytes {
		r.say(Fault{File: r.name(notesFile), Text: "the file is over 1 MiB; take away what is done with"})
		return nil
	}
	table := noteRows(text, 0)
	for header := true; ; {
		cells, err := table.Read()
		var bad *csv.ParseError
		if err == nil && len(notes) == maxNotes || len(r.faults) >= maxNoteFaults {
			say(table.before+1, 1, "there are more than %d notes or %d faults, and the rest was not read; take away what is done with", maxNotes, maxNoteFaults)
			return notes
		}
		switch {
		case errors.Is(err, io.EOF):
			if header {
				say(1, 1, "the file is empty; its first line is %s", strings.Join(noteColumns(), ","))
			}
			return notes
		case errors.As(err, &bad) && bad.Line > bad.StartLine:
			say(table.before+bad.StartLine, 1, "a quotation mark is never closed; write a text with quotation marks within two of them, and each of its own twice")
			table = noteRows(text, table.before+bad.StartLine) // it would take all that follows with it
		case errors.As(err, &bad):
			say(table.before+bad.Line, bad.Column, "a quotation mark is where none can be; write a text with quotation marks within two of them, and each of its own twice")
		case err != nil:
			r.say(Fault{File: r.name(notesFile), Text: err.Error()})
			return notes
		case strings.TrimSpace(strings.Join(cells, "")) == "": // a spreadsheet's empty rows
		case !utf8.ValidString(strings.Join(cells, "")):
			line, _ := table.place(0)
			say(line, 1, "the line is not UTF-8; save the table as CSV in UTF-8")
			if header {
				return nil
			}
		case header:
			header = false
			if !r.noteHeader(cells, table) {
				return nil
			}
		default:
			faults := len(r.faults)
			if n := r.note(cells, table, t); len(r.faults) == faults {
				notes = append(notes, n)
			}
		}
	}
}

// noteHeader wants the columns in their order.
func (r *reader) noteHeader(cells []string, table noteTable) bool {
	want := noteColumns()
	ok := len(cells) == len(want)
	for i := range min(len(cells), len(want)) {
		if strings.TrimSpace(cells[i]) == want[i] {
			continue
		}
		ok = false
		line, column := table.place(i)
		r.say(Fault{File: r.name(notesFile), Line: line, Column: column, Text: fmt.Sprintf("the column is called %.40q; call it %s", cells[i], want[i])})
	}
	if len(cells) != len(want) {
		line, column := table.place(len(cells) - 1)
		r.say(Fault{File: r.name(notesFile), Line: line, Column: column, Text: fmt.Sprintf("there are %d columns; give %s", len(cells), strings.Join(want, ", "))})
	}
	return ok
}

// note reads one row.
func (r *reader) note(cells []string, table noteTable, t pipeline.Title) (n pipeline.Note) {
	say := func(i int, format string, args ...any) {
		line, column := table.place(i)
		r.say(Fault{File: r.name(notesFile), Line: line, Column: column, Text: fmt.Sprintf(format, args...)})
	}
	if want := len(noteColumns()); len(cells) != want {
		say(min(len(cells), want)-1, "the row has %d cells; give %d, empty ones too", len(cells), want)
		return n
	}
	number, err := strconv.Atoi(strings.TrimSpace(cells[0]))
	known := slices.ContainsFunc(t.Chapters, func(c pipeline.TitleChapter) bool { return c.Number == number }) ||
		number > highest(t.Chapters) // what was split has numbers that only its run knows
	switch {
	case err != nil:
		say(0, "chapter is %.40q; give its number", cells[0])
	case !known:
		say(0, "the title has no chapter %d; give the number of one of its %d", number, len(t.Chapters))
	}
	n.Chapter = number
	at, ok := pipeline.ParseClock(strings.TrimSpace(cells[1]))
	if !ok {
		say(1, "time is %.40q; give it in the chapter's file as m:ss, h:mm:ss or seconds", cells[1])
	}
	n.AtS = at
	for i, into := range map[int]*string{2: &n.Page, 3: &n.Line, 4: &n.Kind, 5: &n.Text} {
		text := strings.TrimSpace(cells[i])
		if text == "" {
			if i == 4 {
				say(i, "kind is empty; say in a word what it is, as misread")
			}
			continue
		}
		var name strict.Name
		if err := name.UnmarshalText([]byte(text)); err != nil {
			say(i, "%s %v", noteColumns()[i], err)
		}
		*into = string(name)
	}
	return n
}

package house

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
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
)

// noteColumns is the header of notes.csv.
func noteColumns() []string { return []string{"chapter", "time", "page", "line", "kind", "text"} }

// Notes reads what a proof-listener wrote down of a title, in notes.csv in its
// folder; none where there is no such file. It is a table as spreadsheets
// write it (RFC 4180, UTF-8, commas or semicolons) with the header chapter, time,
// page, line, kind, text: the chapter's number, the time in its file as h:mm:ss or
// m:ss, and of page, line and text what there is. The error is Faults where the
// file is at fault.
func (h *House) Notes(folder string, t pipeline.Title) ([]pipeline.Note, error) {
	folder, err := filepath.Abs(folder)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.House, "open title", "%w", err)
	}
	r, err := open(h.Root, folder)
	if err != nil {
		return nil, err
	}
	defer r.close()
	if !r.has(notesFile) {
		return nil, nil
	}
	text, ok := r.content(notesFile, maxNotesBytes)
	if !ok {
		return nil, r.err()
	}
	notes := r.notes(text, t)
	if err := r.err(); err != nil {
		return nil, err
	}
	return notes, nil
}

// notes reads the table, and says at line and column what is wrong in it.
func (r *reader) notes(text []byte, t pipeline.Title) (notes []pipeline.Note) {
	say := func(line, column int, format string, args ...any) {
		r.say(Fault{File: r.name(notesFile), Line: line, Column: column, Text: fmt.Sprintf(format, args...)})
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	switch {
	case len(text) > maxNotesBytes:
		r.say(Fault{File: r.name(notesFile), Text: "the file is over 1 MiB; take away what is done with"})
		return nil
	case !utf8.Valid(text):
		for n, line := range bytes.Split(text, []byte("\n")) {
			if !utf8.Valid(line) {
				say(n+1, 1, "the line is not UTF-8; save the table as CSV in UTF-8")
			}
		}
		return nil
	}
	table := csv.NewReader(bytes.NewReader(text))
	table.FieldsPerRecord = -1
	head, _, _ := bytes.Cut(text, []byte("\n"))
	if bytes.Contains(head, []byte(";")) {
		table.Comma = ';'
	}
	header := true
	for {
		cells, err := table.Read()
		var bad *csv.ParseError
		switch {
		case errors.Is(err, io.EOF):
			if header {
				say(1, 1, "the file is empty; its first line is %s", strings.Join(noteColumns(), ","))
			}
			return notes
		case errors.As(err, &bad):
			say(bad.Line, bad.Column, "a quotation mark is where none can be; write a text with quotation marks within two of them, and each of its own twice")
			continue
		case err != nil:
			r.say(Fault{File: r.name(notesFile), Text: err.Error()})
			return notes
		}
		if header {
			header = false
			if !r.noteHeader(cells, table) {
				return nil
			}
			continue
		}
		if strings.TrimSpace(strings.Join(cells, "")) == "" {
			continue // a spreadsheet's empty rows
		}
		if len(notes) == maxNotes {
			line, column := table.FieldPos(0)
			say(line, column, "there are more than %d notes; take away what is done with", maxNotes)
			return notes
		}
		notes = append(notes, r.note(cells, table, t))
	}
}

// noteHeader wants the columns in their order.
func (r *reader) noteHeader(cells []string, table *csv.Reader) bool {
	want := noteColumns()
	ok := len(cells) == len(want)
	for i := range min(len(cells), len(want)) {
		if strings.TrimSpace(cells[i]) == want[i] {
			continue
		}
		ok = false
		line, column := table.FieldPos(i)
		r.say(Fault{File: r.name(notesFile), Line: line, Column: column, Text: fmt.Sprintf("the column is called %.40q; call it %s", cells[i], want[i])})
	}
	if len(cells) != len(want) {
		line, column := table.FieldPos(len(cells) - 1)
		r.say(Fault{File: r.name(notesFile), Line: line, Column: column, Text: fmt.Sprintf("there are %d columns; give %s", len(cells), strings.Join(want, ", "))})
	}
	return ok
}

// note reads one row.
func (r *reader) note(cells []string, table *csv.Reader, t pipeline.Title) (n pipeline.Note) {
	say := func(i int, format string, args ...any) {
		line, column := table.FieldPos(i)
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
	at, ok := noteTime(strings.TrimSpace(cells[1]))
	if !ok {
		say(1, "time is %.40q; give it as h:mm:ss or m:ss in the chapter's file", cells[1])
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

// noteTime reads m:ss or h:mm:ss, with decimals of a second.
func noteTime(s string) (seconds float64, ok bool) {
	units := strings.Split(s, ":")
	if len(units) < 2 || len(units) > 3 {
		return 0, false
	}
	for i, u := range units {
		last := i == len(units)-1
		v, err := strconv.ParseFloat(u, 64)
		whole := strings.Trim(u, "0123456789") == ""
		if err != nil || !whole && (!last || strings.Trim(u, "0123456789.") != "") || i > 0 && v >= 60 || i == 0 && v > 999 {
			return 0, false
		}
		seconds = float64(seconds*60) + v
	}
	return math.Round(seconds*100) / 100, true
}

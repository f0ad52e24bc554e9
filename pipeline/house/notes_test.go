package house

import (
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"chapterhouse/pipeline"
)

// TestNotes: rows as spreadsheets write them; a line with a fault costs its own
// note and is told with its place and what to do.
func TestNotes(t *testing.T) {
	const head = "chapter,time,page,line,kind,text\n"
	const form = "give it in the chapter's file as m:ss, h:mm:ss or seconds"
	const quote = "write a text with quotation marks within two of them, and each of its own twice"
	whole := []pipeline.Note{{Chapter: 1, AtS: 754.5, Page: "xii", Line: "4", Kind: "misread", Text: "said, \"gates\""}, {Chapter: 2, AtS: 3723, Kind: "recut"}}
	last := []pipeline.Note{{Chapter: 1, AtS: 99, Kind: "x"}}
	for _, tt := range []struct {
		name, text string
		want       []pipeline.Note
		stray      string
	}{
		{"no file", "-", nil, ""},
		{"as it should be", head + "1,12:34.5,xii,4,misread,\"said, \"\"gates\"\"\"\n2,1:02:03,,,recut,\n", whole, ""},
		{"seconds", head + "1,754.5,xii,4,misread,\"said, \"\"gates\"\"\"\n2,3723,,,recut,\n", whole, ""},
		{"a spreadsheet's", "\ufeff" + strings.ReplaceAll("chapter;time;page;line;kind;text\n1;12:34.5;xii;4;misread;\"said, \"\"gates\"\"\"\n;;;;;\n2;1:02:03;;;recut;\n", "\n", "\r\n"), whole, ""},
		{"empty", "", nil, "the file is empty · t/notes.csv:1:1: its first line is chapter,time,page,line,kind,text"},
		{"another header", "chapter,at,page,line,kind\n1,0:01,,,x\n", nil, `the column is called "at" · t/notes.csv:1:9: call it time
there are 5 columns · t/notes.csv:1:22: give chapter, time, page, line, kind, text`},
		{"everything at once", head + "one,0:01,,,x,\n3,0:01,,,x,\n1,noon,,,x,\n1,0:75,,,,\n1,0:01,,x,\n\n2,-1:00,a\u202eb,,x,\n1,99,,,x,\n", append([]pipeline.Note{{Chapter: 3, AtS: 1, Kind: "x"}}, last...), `chapter is "one" · t/notes.csv:2:1: give its number
time is "noon" · t/notes.csv:4:3: ` + form + `
time is "0:75" · t/notes.csv:5:3: ` + form + `
kind is empty · t/notes.csv:5:10: say in a word what it is, as misread
the row has 5 cells · t/notes.csv:6:11: give 6, empty ones too
time is "-1:00" · t/notes.csv:8:3: ` + form + `
page holds U+202E, which turns the direction of text · t/notes.csv:8:9: remove it`},
		{"a chapter below", head + "0,0:01,,,x,\n1,99,,,x,\n", last, "the title has no chapter 0 · t/notes.csv:2:1: give the number of one of its 2"},
		{"a stray quotation mark", head + "1,0:01,,,say \"this\",\n1,x,,,y,\n1,99,,,x,\n", last, "a quotation mark is where none can be · t/notes.csv:2:14: " + quote + `
time is "x" · t/notes.csv:3:3: ` + form},
		{"an open quotation mark", head + "1,0:01,,,x,\"a\n1,99,,,x,\n1,x,,,y,\n", last, "a quotation mark is never closed · t/notes.csv:2:1: " + quote + `
time is "x" · t/notes.csv:4:3: ` + form},
		{"bytes", head + "1,0:01,,,caf\xe9,\n1,99,,,x,\n", last, "the line is not UTF-8 · t/notes.csv:2:1: save the table as CSV in UTF-8"},
		{"another coding", "\xff\xfec\x00h\x00\n1,99,,,x,\n", nil, "the line is not UTF-8 · t/notes.csv:1:1: save the table as CSV in UTF-8"},
		{"too long", head + strings.Repeat("1,0:01,,,x,\n", 100000), nil, "the file is over 1 MiB · t/notes.csv: take away what is done with"},
	} {
		files := map[string]string{"t/1.wav": "", "t/2.wav": ""}
		if tt.text != "-" {
			files["t/notes.csv"] = tt.text
		}
		h := good(t, files)
		folder := filepath.Join(h.Root, "t")
		title, _, err := h.Title(folder)
		if err != nil {
			t.Fatal(err)
		}
		got, found, err := h.Notes(folder, title)
		if err != nil {
			t.Fatal(err)
		}
		var stray []string
		for _, f := range found {
			if f.Check != pipeline.StrayNoteCheck || f.Weight != pipeline.Listen {
				t.Errorf("%s: %+v", tt.name, f)
			}
			stray = append(stray, strings.TrimPrefix(f.Measured, "left out: ")+" · "+f.Do)
		}
		if is := strings.Join(stray, "\n"); is != tt.stray {
			t.Errorf("%s:\n%s\nnot\n%s", tt.name, is, tt.stray)
		}
		if !reflect.DeepEqual(got, tt.want) {
			t.Errorf("%s: %+v", tt.name, got)
		}
	}
}

// TestManyNoteFaults: a file that is no notes at all ends, and says so.
func TestManyNoteFaults(t *testing.T) {
	r := &reader{}
	notes := r.notes([]byte("chapter,time,page,line,kind,text\n"+strings.Repeat("1,\"\n", 200000)), pipeline.Title{})
	if len(notes) != 0 || len(r.faults) != maxNoteFaults+1 {
		t.Errorf("%d notes, %d faults", len(notes), len(r.faults))
	}
}

// FuzzNotes: whatever lies in the file, it is notes or faults with a place.
func FuzzNotes(f *testing.F) {
	f.Add([]byte("chapter,time,page,line,kind,text\n1,0:01,2,3,misread,\"a\"\n"))
	f.Add([]byte("\ufeffchapter;time\n\"\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		r := &reader{}
		notes := r.notes(text, pipeline.Title{Chapters: []pipeline.TitleChapter{{Number: 1}}})
		if len(notes) > maxNotes {
			t.Errorf("%d notes", len(notes))
		}
		for _, fault := range r.faults {
			if fault.File != notesFile || strings.ContainsAny(fault.String(), "\n\x1b") {
				t.Errorf("%q", fault.String())
			}
		}
		for _, n := range notes {
			if n.Kind == "" || n.AtS < 0 || pipeline.Visible(n.Text) != n.Text {
				t.Errorf("%+v", n)
			}
		}
	})
}

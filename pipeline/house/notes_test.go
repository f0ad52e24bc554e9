package house

import (
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"chapterhouse/pipeline"
)

// TestNotes: rows as spreadsheets write them, and every fault at its place.
func TestNotes(t *testing.T) {
	const head = "chapter,time,page,line,kind,text\n"
	whole := []pipeline.Note{{Chapter: 1, AtS: 754.5, Page: "xii", Line: "4", Kind: "misread", Text: "said, \"gates\""}, {Chapter: 2, AtS: 3723, Kind: "recut"}}
	for _, tt := range []struct {
		name, text string
		want       []pipeline.Note
		faults     string
	}{
		{"no file", "-", nil, ""},
		{"as it should be", head + "1,12:34.5,xii,4,misread,\"said, \"\"gates\"\"\"\n2,1:02:03,,,recut,\n", whole, ""},
		{"a spreadsheet's", "\ufeff" + strings.ReplaceAll("chapter;time;page;line;kind;text\n1;12:34.5;xii;4;misread;\"said, \"\"gates\"\"\"\n;;;;;\n2;1:02:03;;;recut;\n", "\n", "\r\n"), whole, ""},
		{"empty", "", nil, "t/notes.csv:1:1: the file is empty; its first line is chapter,time,page,line,kind,text"},
		{"another header", "chapter,at,page,line,kind\n1,0:01,,,x\n", nil, `t/notes.csv:1:9: the column is called "at"; call it time
t/notes.csv:1:22: there are 5 columns; give chapter, time, page, line, kind, text`},
		{"everything at once", head + "one,0:01,,,x,\n3,0:01,,,x,\n1,99,,,x,\n1,0:75,,,,\n1,0:01,,x,\n\n2,-1:00,a\u202eb,,x,\n", nil, `t/notes.csv:2:1: chapter is "one"; give its number
t/notes.csv:4:3: time is "99"; give it as h:mm:ss or m:ss in the chapter's file
t/notes.csv:5:3: time is "0:75"; give it as h:mm:ss or m:ss in the chapter's file
t/notes.csv:5:10: kind is empty; say in a word what it is, as misread
t/notes.csv:6:11: the row has 5 cells; give 6, empty ones too
t/notes.csv:8:3: time is "-1:00"; give it as h:mm:ss or m:ss in the chapter's file
t/notes.csv:8:9: page holds`},
		{"a chapter below", head + "0,0:01,,,x,\n", nil, "t/notes.csv:2:1: the title has no chapter 0; give the number of one of its 2"},
		{"a stray quotation mark", head + "1,0:01,,,say \"this\",\n1,x,,,y,\n", nil, `t/notes.csv:2:14: a quotation mark is where none can be; write a text with quotation marks within two of them, and each of its own twice
t/notes.csv:3:3: time is "x"; give it as h:mm:ss or m:ss in the chapter's file`},
		{"bytes", head + "1,0:01,,,caf\xe9,\n", nil, "t/notes.csv:2:1: the line is not UTF-8; save the table as CSV in UTF-8"},
		{"too long", head + strings.Repeat("1,0:01,,,x,\n", 100000), nil, "t/notes.csv: the file is over 1 MiB; take away what is done with"},
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
		got, err := h.Notes(folder, title)
		switch {
		case tt.faults == "" && err != nil:
			t.Errorf("%s: %v", tt.name, err)
		case tt.faults != "" && (err == nil || !strings.HasPrefix(err.Error(), tt.faults) || pipeline.KindOf(err) != pipeline.House):
			t.Errorf("%s:\n%v\nnot\n%s", tt.name, err, tt.faults)
		case !reflect.DeepEqual(got, tt.want):
			t.Errorf("%s: %+v", tt.name, got)
		}
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
			if len(r.faults) == 0 && (n.Kind == "" || n.AtS < 0 || pipeline.Visible(n.Text) != n.Text) {
				t.Errorf("%+v", n)
			}
		}
	})
}

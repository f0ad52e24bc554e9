package report

import (
	"bytes"
	"html/template"
	"io"
	"slices"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/attention"
)

// A Pickup is a line that a narrator is asked to read again.
type Pickup struct {
	Chapter          string // number and name
	Number           int
	InFile, InSource string
	Page, Line       string
	Reason           string
	Clip             string
}

// Pickups are the lines that a list asks a narrator for, in the order of the
// book.
func Pickups(l attention.List, narrator string) (out []Pickup) {
	for _, c := range l.Chapters {
		for _, p := range c.Places {
			if p.Act == pipeline.Pickup && p.Narrator == narrator {
				out = append(out, Pickup{
					Chapter: sprintf("%d %s", c.Number, c.Name), Number: c.Number, InFile: p.InFile, InSource: place(p.Finding), Page: p.Page, Line: p.Line, Reason: reason(p.Finding), Clip: p.Clip,
				})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Pickup) int { return a.Number - b.Number })
	return out
}

// Readers are the narrators that a list has pickups for, in order; "" is one
// whom nobody named.
func Readers(l attention.List) (out []string) {
	for _, c := range l.Chapters {
		for _, p := range c.Places {
			if p.Act == pipeline.Pickup && !slices.Contains(out, p.Narrator) {
				out = append(out, p.Narrator)
			}
		}
	}
	slices.Sort(out)
	return out
}

// reason is why a line is asked for, as one says it to whom it was work.
func reason(f pipeline.Finding) string {
	switch f.Check {
	case "clipped":
		return "a loud word had no room left in the recording: the same again with a little less gain"
	case "dropout", "digital-silence":
		return "the recording has a gap here"
	case "manuscript":
		return "something may be missing or read twice: please compare with the text"
	case "plosives":
		return "a puff of air reached the microphone"
	case "clicks", "mouth-noise":
		return "small noises lie over the words"
	case "esses":
		return "the esses came out sharp"
	}
	return f.Measured
}

// PickupsCSV writes a narrator's pickups for a spreadsheet.
func PickupsCSV(w io.Writer, l attention.List, narrator string) error {
	t := newTable(w)
	t.row("title", "chapter", "time in the file", "in the recording", "page", "line", "reason", "clip")
	for _, p := range Pickups(l, narrator) {
		clip := p.Clip
		if clip != "" {
			clip = "clips/" + clip
		}
		t.row(l.Name, p.Chapter, p.InFile, p.InSource, p.Page, p.Line, p.Reason, clip)
	}
	return t.close()
}

type pickupsView struct {
	Style                  template.CSS
	Title, Narrator, House string
	Lines                  string
	Pickups                []Pickup
}

// PickupsHTML writes them as a page to send to the narrator: clips lie beside
// it. o is the run that the list is of.
func PickupsHTML(w io.Writer, o pipeline.Outcome, l attention.List, narrator string) error {
	set, err := template.New("pickups").ParseFS(pageFiles, "page/pickups.html")
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "page", "%w", err)
	}
	style, err := pageFiles.ReadFile("page/style.css")
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "page", "%w", err)
	}
	v := pickupsView{Style: template.CSS(style), Title: l.Name, Narrator: o.Narrators[narrator], House: o.Signed, Pickups: Pickups(l, narrator)}
	v.Lines = count(len(v.Pickups), "line")
	var text bytes.Buffer
	if err := set.ExecuteTemplate(&text, "pickups", v); err != nil {
		return pipeline.Errorf(pipeline.Bug, "page", "%w", err)
	}
	_, err = w.Write(seen(text.Bytes()))
	return err
}

package report

import (
	"encoding/csv"
	"io"
	"math"
	"slices"
	"strconv"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/attention"
	"chapterhouse/pipeline/check"
)

// fileRow is what a row of figures is made from.
type fileRow struct {
	r     Report
	ch    pipeline.ChapterOutcome
	f     pipeline.FileOutcome // zero where the chapter has none
	level check.Asked
	asked map[string]check.Asked
}

type column struct {
	head string
	cell func(fileRow) any
}

// columns are those of the table of files. Those of a file's own stand behind
// those of its chapter, and are empty where there is none.
func columns() (chapter, file, end []column) {
	chapter = []column{
		{"title", func(x fileRow) any { return x.r.Title }},
		{"run", func(x fileRow) any { return x.r.Run }},
		{"number", func(x fileRow) any { return x.ch.Number }},
		{"chapter", func(x fileRow) any { return x.ch.Name }},
		{"role", func(x fileRow) any { return string(x.ch.Role) }},
		{"narrators", func(x fileRow) any { return narrators(x.ch) }},
		{"verdict", func(x fileRow) any { return string(x.ch.Verdict) }},
		{"missing because", func(x fileRow) any { return x.ch.Hole }},
		{"parts", func(x fileRow) any { return len(x.ch.Parts) }},
		{"source RMS dBFS (first part)", source(func(l meter.Levels) float64 { return float64(l.RMS) })},
		{"source loudness LUFS (first part)", source(func(l meter.Levels) float64 { return float64(l.Integrated) })},
		{"source true peak dBTP (first part)", source(func(l meter.Levels) float64 { return float64(l.TruePeak) })},
		{"source noise floor dBFS (first part)", func(x fileRow) any {
			if len(x.ch.Parts) == 0 {
				return ""
			}
			return floorOf(x.ch, x.ch.Parts[0].Profile.Floor, x.ch.Parts[0].Profile.Floor.Median)
		}},
	}
	file = []column{
		{"spec", func(x fileRow) any { return x.f.Spec }},
		{"format", func(x fileRow) any { return string(x.f.Format.Format) }},
		{"rate Hz", func(x fileRow) any { return x.f.Format.RateHz }},
		{"channels", func(x fileRow) any { return x.f.Format.Channels }},
		{"file verdict", func(x fileRow) any { return string(x.f.Verdict) }},
		{"length s", func(x fileRow) any { return x.f.Record.LengthS }},
		{"RMS dBFS", func(x fileRow) any { return float64(x.f.Record.Levels.RMS) }},
		{"loudness LUFS", func(x fileRow) any { return float64(x.f.Record.Levels.Integrated) }},
		{"loudness range LU", func(x fileRow) any { return float64(x.f.Record.Levels.RangeLU) }},
		{"true peak dBTP", func(x fileRow) any { return float64(x.f.Record.Levels.TruePeak) }},
		{"noise floor after gain dBFS", func(x fileRow) any { return floorOf(x.ch, x.f.Record.Floor, x.f.FloorGain) }},
		{"noise floor dBFS", func(x fileRow) any { return floorOf(x.ch, x.f.Record.Floor, x.f.Record.Floor.Median) }},
		{"noise floor worst tenth dBFS", func(x fileRow) any { return floorOf(x.ch, x.f.Record.Floor, x.f.Record.Floor.WorstTenth) }},
		{"head s", func(x fileRow) any { return x.f.Record.HeadS }},
		{"tail s", func(x fileRow) any { return x.f.Record.TailS }},
		{"level measured", func(x fileRow) any { return x.level.Measured }},
		{"level from", func(x fileRow) any { return x.level.Low }},
		{"level to", func(x fileRow) any { return x.level.High }},
		{"level unit", func(x fileRow) any { return x.level.Unit }},
		{"level is", func(x fileRow) any { return x.level.What }},
		{"level room left dB", func(x fileRow) any { return x.level.Left }},
		{"true peak limit dBTP", limit("true peak")},
		{"true peak room left dB", roomLeft("true peak")},
		{"noise floor limit dBFS", limit("noise floor")},
		{"noise floor room left dB", roomLeft("noise floor")},
		{"narrator gain dB (first part)", func(x fileRow) any {
			if len(x.f.GainDB) == 0 {
				return ""
			}
			return float64(x.f.GainDB[0])
		}},
		{"trim dB", func(x fileRow) any { return float64(x.f.TrimDB) }},
		{"limiter active %", func(x fileRow) any { return 100 * x.f.Record.Limiter.Share }},
		{"limiter median dB", func(x fileRow) any { return float64(x.f.Record.Limiter.MedianDB) }},
		{"limiter 95 % dB", func(x fileRow) any { return float64(x.f.Record.Limiter.P95DB) }},
		{"limiter deepest dB", func(x fileRow) any { return float64(x.f.Record.Limiter.MaxDB) }},
		{"encodes", func(x fileRow) any { return x.f.Record.Encodes }},
		{"bytes (before tags)", func(x fileRow) any { return x.f.Bytes }},
		{"sha256 (before tags)", func(x fileRow) any { return string(x.f.Blob) }},
	}
	end = []column{
		{"findings to return", found("return")},
		{"findings to listen to", found("listen")},
		{"notices", found("notice")},
		{"accepted", found("accepted")},
		{"what to do", func(x fileRow) any { return todo(x.ch) }},
	}
	return chapter, file, end
}

func source(of func(meter.Levels) float64) func(fileRow) any {
	return func(x fileRow) any {
		if len(x.ch.Parts) == 0 || x.ch.Parts[0].Profile.Levels.Frames == 0 {
			return "" // not measured
		}
		return of(x.ch.Parts[0].Profile.Levels)
	}
}

func limit(what string) func(fileRow) any {
	return func(x fileRow) any {
		if a, ok := x.asked[what]; ok {
			return a.High
		}
		return ""
	}
}

func roomLeft(what string) func(fileRow) any {
	return func(x fileRow) any {
		if a, ok := x.asked[what]; ok {
			return a.Left
		}
		return ""
	}
}

// found counts the findings that concern a row's file.
func found(word string) func(fileRow) any {
	return func(x fileRow) any {
		n := 0
		for _, g := range x.ch.Findings {
			if weight(g) == word && (g.Spec == "" || g.Spec == x.f.Spec || x.f.Spec == "") {
				n++
			}
		}
		return n
	}
}

// floorOf is a noise floor, or nothing where none was measured or no room is to
// be heard.
func floorOf(ch pipeline.ChapterOutcome, f meter.Floor, v dsp.DBFS) any {
	if ch.Role == pipeline.RoleAsset || f.Windows == 0 {
		return ""
	}
	return float64(v)
}

// CSV writes a row for each file, and one for a chapter that has none, with its
// figures (RFC 4180; UTF-8 with the mark that spreadsheets look for). Units
// stand in the header; what a spec doesn't ask for is empty.
func CSV(w io.Writer, r Report) error {
	chapter, file, end := columns()
	t := newTable(w)
	var heads []any
	for _, c := range slices.Concat(chapter, file, end) {
		heads = append(heads, c.head)
	}
	t.row(heads...)
	write := func(x fileRow, there bool) {
		var cells []any
		for _, c := range chapter {
			cells = append(cells, c.cell(x))
		}
		for _, c := range file {
			if there {
				cells = append(cells, c.cell(x))
			} else {
				cells = append(cells, "")
			}
		}
		for _, c := range end {
			cells = append(cells, c.cell(x))
		}
		t.row(cells...)
	}
	for _, ch := range r.Chapters {
		if len(ch.Files) == 0 {
			write(fileRow{r: r, ch: ch}, false)
		}
		for _, f := range ch.Files {
			x := fileRow{r: r, ch: ch, f: f, asked: map[string]check.Asked{}}
			for _, s := range r.Specs {
				if s.Spec != f.Spec {
					continue
				}
				rows := check.Beside(s, ch.Role, check.FactsOf(f.Record))
				x.level = rows[0]
				for _, a := range rows {
					x.asked[a.What] = a
				}
			}
			write(x, true)
		}
	}
	return t.close()
}

// FindingsCSV writes a row for each finding: first those that ask for an ear or
// an answer, as the list of places has them, then the softer ones in the order of
// the title.
func FindingsCSV(w io.Writer, r Report) error {
	t := newTable(w)
	t.row("title", "run", "number", "chapter", "weight", "check", "spec", "source", "from s", "to s", "from (in the source)", "measured", "limit", "what to do", "accepted because",
		"in the file", "in the file s", "kind of work", "narrator", "page", "line", "clip", "value", "value's limit", "value's unit")
	add := func(number any, name string, p attention.Place) {
		var from, to, at, file, value, limit any = "", "", "", "", "", ""
		if placed(p.Finding) {
			from, to, at = p.StartS, p.EndS, clock(p.StartS)
		}
		if p.FileS != nil {
			file = *p.FileS
		}
		if p.Unit != "" {
			value, limit = p.Value, p.LimitValue
		}
		clip := p.Clip
		if clip != "" {
			clip = clipFolder + clip
		}
		t.row(r.Title, r.Run, number, name, weight(p.Finding), p.Check, p.Spec, p.Path, from, to, at, p.Measured, p.Limit, p.Do, p.Accepted,
			p.InFile, file, p.Words, p.Narrator, p.Page, p.Line, clip, value, limit, p.Unit)
	}
	l := r.attention()
	for _, c := range l.Chapters {
		for _, p := range c.Places {
			add(c.Number, c.Name, p)
		}
	}
	for _, p := range l.Whole {
		add("", "", p)
	}
	for _, p := range attention.Below(r.Outcome) {
		if p.Chapter == nil {
			add("", "", p.Place)
		} else {
			add(p.Chapter.Number, p.Chapter.Name, p.Place)
		}
	}
	return t.close()
}

// table writes cells: texts that no program takes for a formula, numbers with
// at most two decimals.
type table struct {
	csv *csv.Writer
	w   io.Writer
	err error
}

func newTable(w io.Writer) *table {
	t := &table{csv: csv.NewWriter(w), w: w}
	t.csv.UseCRLF = true
	_, t.err = io.WriteString(w, "\ufeff")
	return t
}

func (t *table) row(cells ...any) {
	text := make([]string, len(cells))
	for i, c := range cells {
		switch c := c.(type) {
		case string:
			text[i] = pipeline.Cell(c)
		case float64:
			text[i] = number(c)
		default:
			text[i] = sprintf("%d", c)
		}
	}
	if t.err == nil {
		t.err = t.csv.Write(text)
	}
}

func (t *table) close() error {
	t.csv.Flush()
	if t.err == nil {
		t.err = t.csv.Error()
	}
	return t.err
}

// number is a figure as spreadsheets read it: no unit, empty where it could not
// be measured.
func number(v float64) string {
	switch {
	case math.IsNaN(v):
		return ""
	case math.IsInf(v, -1):
		return "silence"
	}
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}

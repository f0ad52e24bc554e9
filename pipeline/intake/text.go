package intake

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"chapterhouse/pipeline"
)

// Text writes a for a person: a line for the title, a row for each kind of
// file, and what is odd. A title with nothing odd and files of one kind takes
// three lines.
func (a Answer) Text(w io.Writer) error {
	var b strings.Builder
	how := "as recorded"
	if slices.ContainsFunc(a.Files, func(f File) bool { return f.Heard != nil && !f.Heard.Whole }) {
		how += ", levels are estimates from samples"
	}
	fmt.Fprintf(&b, "%s: %s from %s, %s in all; %s\n", a.Title, count(a.Chapters, "chapter"), count(len(a.Files), "file"), clock(a.LengthS), how)
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	for _, g := range a.groups() {
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\n", chapters(g.chapters), g.kind, span(g.length, clock, ""),
			span(g.speech, whole, " dBFS while speaking"), span(g.peak, whole, " dBFS peak"))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := io.WriteString(w, visible(b.String())+lines(a.Remarks))
	return err
}

// Remarks writes remarks alone, as they come later than the answer.
func Remarks(w io.Writer, found []Remark) error {
	_, err := io.WriteString(w, lines(found))
	return err
}

// lines is a remark a line; from the ninth of one kind on they are counted.
func lines(found []Remark) string {
	const most = 8
	var b strings.Builder
	said, left := map[About]int{}, map[About]int{}
	last := map[About]int{}
	for i, r := range found {
		last[r.About] = i
		if said[r.About]++; said[r.About] > most {
			left[r.About]++
		}
	}
	clear(said)
	for i, r := range found {
		said[r.About]++
		if said[r.About] <= most {
			text := strings.TrimSpace(r.File + " " + r.Text)
			if r.Ask != "" {
				text += ": " + r.Ask
			}
			fmt.Fprintf(&b, "  %s: %s\n", r.About, pipeline.Visible(text))
		}
		if n := left[r.About]; n > 0 && i == last[r.About] {
			fmt.Fprintf(&b, "  %s: and %d more; --json has all\n", r.About, n)
		}
	}
	return b.String()
}

// A group is files of one kind.
type group struct {
	kind                 string
	chapters             []int
	length, speech, peak []float64
}

func (a Answer) groups() (all []*group) {
	for _, f := range a.Files {
		if f.Heard == nil {
			continue
		}
		kind := f.kind()
		i := slices.IndexFunc(all, func(g *group) bool { return g.kind == kind })
		if i < 0 {
			i = len(all)
			all = append(all, &group{kind: kind})
		}
		g := all[i]
		g.chapters = append(g.chapters, f.Chapters...)
		g.length = append(g.length, f.LengthS)
		g.speech = append(g.speech, float64(f.Heard.Speech))
		g.peak = append(g.peak, float64(f.Heard.Peak))
	}
	return all
}

// kind is a file's format in words.
func (f File) kind() string {
	s := fmt.Sprintf("%s %g kHz, %d bits", f.Format, float64(f.RateHz)/1000, f.Bits)
	if f.Float {
		s += " float"
	}
	if f.Channels == 1 {
		return s + ", mono"
	}
	return fmt.Sprintf("%s, %d channels", s, f.Channels)
}

// chapters is numbers of chapters in words: "chapters 1 to 5, 7".
func chapters(n []int) string {
	n = slices.Clone(n)
	slices.Sort(n)
	n = slices.Compact(n)
	var runs []string
	for i := 0; i < len(n); {
		k := i
		for k+1 < len(n) && n[k+1] == n[k]+1 {
			k++
		}
		switch {
		case k == i:
			runs = append(runs, fmt.Sprint(n[i]))
		case k == i+1:
			runs = append(runs, fmt.Sprint(n[i]), fmt.Sprint(n[k]))
		default:
			runs = append(runs, fmt.Sprintf("%d to %d", n[i], n[k]))
		}
		i = k + 1
	}
	if len(n) == 1 {
		return "chapter " + runs[0]
	}
	return "chapters " + strings.Join(runs, ", ")
}

// span is the least and the most of some values in words.
func span(v []float64, word func(float64) string, unit string) string {
	from, to := word(slices.Min(v)), word(slices.Max(v))
	if from == to {
		return from + unit
	}
	return from + " to " + to + unit
}

func whole(v float64) string { return fmt.Sprintf("%.0f", v) }

// clock is a time as players show it.
func clock(s float64) string {
	n := int(s + 0.5)
	if n >= 3600 {
		return fmt.Sprintf("%d:%02d:%02d", n/3600, n/60%60, n%60)
	}
	return fmt.Sprintf("%d:%02d", n/60, n%60)
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// visible is text of several lines whose names move no cursor.
func visible(text string) string {
	all := strings.Split(text, "\n")
	for i := range all {
		all[i] = pipeline.Visible(all[i])
	}
	return strings.Join(all, "\n")
}

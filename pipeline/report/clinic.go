package report

import (
	"io"

	"chapterhouse/pipeline/clinic"
)

// Clinic is what a test read's report is made of.
type Clinic struct {
	clinic.Report
	Like   *clinic.Match `json:"like,omitempty"` // of a pair
	Folder string        `json:"folder"`         // where all of it lies
}

// remedies are the groups of a diagnosis in the order of a report.
func remedies() []struct {
	remedy clinic.Remedy
	title  string
} {
	return []struct {
		remedy clinic.Remedy
		title  string
	}{
		{clinic.Booth, "what only the booth, the microphone or the narrator can change"},
		{clinic.Processing, "what a chain can mend"},
		{clinic.Good, "what is good"},
		{clinic.Unknown, "what can't be told from this read"},
	}
}

// signsOf are the signs of a remedy, in the diagnosis' order.
func signsOf(r clinic.Report, remedy clinic.Remedy) (out []clinic.Sign) {
	for _, s := range r.Read.Signs {
		if s.Remedy == remedy {
			out = append(out, s)
		}
	}
	return out
}

// ClinicText writes it for a terminal.
func ClinicText(w io.Writer, c Clinic) error {
	t := &text{w: w}
	r := c.Read
	t.line("%s · %s: %s", r.File, narratorOf(r.Form), c.Verdict)
	t.line("  %s", c.Why)
	for _, n := range r.Notes {
		t.line("  %s", n)
	}
	for _, g := range remedies() {
		signs := signsOf(c.Report, g.remedy)
		if len(signs) == 0 {
			continue
		}
		t.line("")
		t.line("%s", g.title)
		rows := [][]string{}
		for _, s := range signs {
			rows = append(rows, []string{"  " + s.Name, string(s.Confidence), s.Says})
		}
		t.table(rows)
	}
	if len(c.Advice) > 0 {
		t.line("")
		t.line("advice, the most useful first")
		for i, a := range c.Advice {
			t.line("  %d. %s", i+1, a.Do)
			t.line("     because: %s", a.Reason)
		}
	}
	t.line("")
	t.line("drafts")
	rows := [][]string{}
	for _, d := range c.Drafts {
		rows = append(rows, []string{"  " + d.Name, count(len(d.Chain.Stages), "stage"), d.Does})
	}
	t.table(rows)
	for _, d := range c.Drafts {
		for _, n := range d.Notes {
			t.line("  %s: %s", d.Name, n)
		}
	}
	if c.Like != nil {
		t.like(*c.Like)
	}
	t.line("")
	t.line("left in %s: report.html, trial.html (raw and drafts at one loudness), sheet.html (for the narrator), %s", c.Folder, draftFiles(c.Drafts))
	t.line("put one in force: chapterhouse clinic choose %s/%s.yaml", c.Folder, c.Drafts[0].Name)
	t.line("")
	for _, caution := range c.Cautions {
		t.line("%s", caution)
	}
	return t.err
}

// narratorOf is who reads, and with what.
func narratorOf(f clinic.Form) string {
	name := f.Name
	if name == "" {
		name = f.Narrator
	}
	return name + ", " + f.Setup
}

func draftFiles(drafts []clinic.Draft) (names string) {
	for i, d := range drafts {
		if i > 0 {
			names += ", "
		}
		names += d.Name + ".yaml"
	}
	return names
}

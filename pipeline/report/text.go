package report

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"sort"
	"strings"
	"text/tabwriter"

	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/attention"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/reel"
)

var sprintf = fmt.Sprintf

// Text writes r for a person at a terminal: where to listen, the chapters with
// source and delivered side by side, softer findings, the gains, the cost, what
// was delivered.
func Text(w io.Writer, r Report) error {
	t := &text{w: w}
	t.title(r)
	t.attention(r.attention())
	for i, s := range r.Specs {
		if i == 0 {
			t.chapters(r, s)
		}
		t.summary(r, s)
	}
	t.line("")
	t.findings(r)
	t.dismissed(r.Dismissed)
	t.reel(r.Reel)
	t.excerpt(r)
	t.gains(r)
	t.cost(r)
	t.deliveries(r)
	if r.Verdict != pipeline.Ready {
		t.line("")
		t.cautions()
	}
	return t.err
}

type text struct {
	w   io.Writer
	err error
}

// line writes one line, whatever the names in it hold.
func (t *text) line(format string, args ...any) {
	if t.err == nil {
		_, t.err = io.WriteString(t.w, pipeline.Visible(sprintf(format, args...))+"\n")
	}
}

// table writes rows of cells in columns.
func (t *text) table(rows [][]string) {
	tw := tabwriter.NewWriter(t.w, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		for i, cell := range r {
			r[i] = pipeline.Visible(cell)
		}
		fmt.Fprintln(tw, "  "+strings.Join(r, "\t"))
	}
	if err := tw.Flush(); t.err == nil {
		t.err = err
	}
}

func (t *text) title(r Report) {
	of := map[pipeline.Verdict]int{}
	holes := 0
	for _, ch := range r.Chapters {
		of[ch.Verdict]++
		if ch.Hole != "" {
			holes++
		}
	}
	t.line("%s · run %s · %s", r.Title, r.Run, strings.Join(nonEmpty(
		count(len(r.Chapters), "chapter"),
		some(of[pipeline.Ready], "ready"),
		some(of[pipeline.Listen], "to listen to"),
		some(of[pipeline.Return], "to return"),
		some(holes, "missing"),
	), ", "))
	t.line("")
}

func (t *text) chapters(r Report, s pipeline.Spec) {
	t.line("%s (%s): source → delivered", s.Spec, formats(s))
	rows := [][]string{
		{"", "chapter", "narrator", "verdict", "RMS, plain", "loudness", "true peak", "noise floor", "what to do"},
		{"", "", "", "", "dBFS", "LUFS", "dBTP", "raw → gain → delivered, dBFS", ""},
	}
	loudness := func(l meter.Levels) float64 { return float64(l.Integrated) }
	if m := s.Sound.Level.Meaning(); m != "" { // source and file counted alike, as the window is
		rows[1][5] += ", " + m
		loudness = s.Sound.Level.Of
	}
	for _, ch := range r.Chapters {
		row := []string{fmt.Sprint(ch.Number), ch.Name, narrators(ch), string(ch.Verdict)}
		f, ok := fileOf(ch, s.Spec)
		if !ok {
			rows = append(rows, append(row, "–", "–", "–", "–", todo(ch)))
			continue
		}
		src := ch.Parts[0].Profile
		floors := num(float64(src.Floor.Median)) + " → " + num(float64(f.FloorGain)) + " → " + num(float64(f.Record.Floor.Median))
		if ch.Role == pipeline.RoleAsset {
			floors = "–" // no room to be heard
		}
		rows = append(rows, append(row,
			pair(float64(src.Levels.RMS), float64(f.Record.Levels.RMS)),
			pair(loudness(src.Levels), loudness(f.Record.Levels)),
			num(float64(src.Levels.TruePeak))+" → "+sprintf("%.2f", float64(f.Record.Levels.TruePeak)), // as close to a limit as this goes
			floors, todo(ch)))
	}
	t.table(rows)
	for _, ch := range r.Chapters {
		if len(ch.Parts) > 1 && ch.Hole == "" {
			t.line("  %d, %s: the source's figures are those of its first part; the JSON report has all.", ch.Number, ch.Name)
		}
	}
	t.line("")
}

// summary is one line for all of a spec's files.
func (t *text) summary(r Report, s pipeline.Spec) {
	n, lo, hi, peak := 0, math.Inf(1), math.Inf(-1), math.Inf(-1)
	unit := ""
	for _, ch := range r.Chapters {
		f, ok := fileOf(ch, s.Spec)
		if !ok {
			continue
		}
		n++
		var at float64
		at, unit = s.Sound.Level.Of(f.Record.Levels), s.Sound.Level.Unit()
		lo, hi, peak = math.Min(lo, at), math.Max(hi, at), math.Max(peak, float64(f.Record.Levels.TruePeak))
	}
	if n == 0 {
		return
	}
	w := s.Sound.Level.Window
	if m := s.Sound.Level.Meaning(); m != "" {
		unit += ", " + m
	}
	t.line("%s (%s): %s, level %.2f to %.2f %s (window %g to %g), true peak at most %.2f dBTP (limit %.1f)",
		s.Spec, formats(s), count(n, "file"), lo, hi, unit, w[0], w[1], peak, float64(s.Sound.Peak.MaxDBTP))
}

// softPlaces is how many notices of one check a chapter may have before they
// are one line; findings.csv has all of them.
const softPlaces = 2

// findings are those that ask for nobody: notices, and what was accepted.
func (t *text) findings(r Report) {
	type row struct {
		urgency int
		cells   []string
	}
	var rows []row
	add := func(number, name string, f pipeline.Finding) {
		if f.Accepted == "" && f.Weight != pipeline.Ready {
			return
		}
		do := f.Do
		if f.Accepted != "" {
			do = f.Accepted
		}
		name = strings.TrimSpace(number + " " + name)
		rows = append(rows, row{urgency(f), []string{weight(f), name, place(f), kind(f), measured(f), do}})
	}
	for _, f := range r.Findings {
		add("", "title", f)
	}
	for _, ch := range r.Chapters {
		all := attention.Together(ch.Findings)
		soft := map[string]int{} // notices by check
		for _, f := range all {
			if weight(f) == "notice" {
				soft[f.Check]++
			}
		}
		for _, f := range all {
			if n := soft[f.Check]; weight(f) == "notice" && n > softPlaces {
				f.Measured = sprintf("%d places, the first: %s", n, f.Measured)
				soft[f.Check] = -1
			} else if weight(f) == "notice" && n < 0 {
				continue
			}
			add(fmt.Sprint(ch.Number), ch.Name, f)
		}
	}
	if len(rows) == 0 {
		return
	}
	sort.SliceStable(rows, func(a, b int) bool { return rows[a].urgency < rows[b].urgency })
	t.line("softer findings; times are in the source")
	out := make([][]string, len(rows))
	for i := range rows {
		out[i] = rows[i].cells
	}
	t.table(out)
	t.line("")
}

// excerpt is what title.yaml has to say for the proposed one to be made.
func (t *text) excerpt(r Report) {
	e := r.Excerpt
	if e == nil {
		return
	}
	t.line("excerpt: none is named; this stretch of %d %s, %s to %s, has no findings. To have it, add to the chapters of title.yaml:", e.Chapter, e.Name, clock(e.FromS), clock(e.ToS))
	t.line("  - chapter: Excerpt")
	t.line("    role: excerpt")
	t.line("    file: %s", quoted(e.File))
	t.line("    from_s: %s", sprintf("%.2f", e.FromS))
	t.line("    to_s: %s", sprintf("%.2f", e.ToS))
	for _, v := range [][2]string{{"narrator", e.Narrator}, {"setup", e.Setup}, {"session", e.Session}} {
		if v[1] != "" {
			t.line("    %s: %s", v[0], v[1])
		}
	}
	t.line("")
}

// quoted is a text as YAML takes any: in the quotes of JSON.
func quoted(s string) string {
	text, _ := json.Marshal(s) // a string: can't fail
	return string(text)
}

func (t *text) gains(r Report) {
	t.line("gains and limiter")
	for _, s := range r.Sessions {
		if s.Chain == "" {
			t.line("  session %s: no chain, so no gain to its level", check.SessionName(s))
			continue
		}
		t.line("  session %s: %+.1f dB to the chain's level, from %.0f s of speech; chain %s %s",
			check.SessionName(s), float64(s.Fit.GainDB), s.Fit.SpeechS, s.Chain, s.Revision.Short())
	}
	for _, s := range r.Specs {
		for _, who := range keys(r.Gains.Specs[s.Spec].GainDB) {
			t.line("  %s: %+.1f dB for %s", s.Spec, float64(r.Gains.Specs[s.Spec].GainDB[who]), name(who))
		}
		for _, n := range r.Gains.Specs[s.Spec].Notes {
			t.line("  %s: %s", s.Spec, n)
		}
	}
	t.idle(r)
	rows := [][]string{{"", "chapter", "spec", "trim dB", "limiter active", "median dB", "95 % dB", "deepest dB", "encodes"}}
	for _, ch := range r.Chapters {
		for _, f := range ch.Files {
			l := f.Record.Limiter
			rows = append(rows, []string{
				fmt.Sprint(ch.Number), ch.Name, f.Spec, sprintf("%+.1f", float64(f.TrimDB)), sprintf("%.0f %%", 100*l.Share),
				sprintf("%.1f", float64(l.MedianDB)), sprintf("%.1f", float64(l.P95DB)), sprintf("%.1f", float64(l.MaxDB)), fmt.Sprint(f.Record.Encodes),
			})
		}
	}
	t.table(rows)
	t.line("")
}

// idle names the chapters in which a stage of the chain had nothing to do.
func (t *text) idle(r Report) {
	in := map[string][]string{}
	for _, ch := range r.Chapters {
		if len(ch.Files) == 0 {
			continue
		}
		for _, u := range ch.Files[0].Record.Stages {
			if idle(u) {
				in[u.Stage] = append(in[u.Stage], fmt.Sprint(ch.Number))
			}
		}
	}
	for _, stage := range keys(in) {
		of := "chapter "
		if len(in[stage]) > 1 {
			of = "chapters "
		}
		t.line("  stage %s: nothing to do in %s%s", stage, of, strings.Join(in[stage], ", "))
	}
}

func (t *text) cost(r Report) {
	t.line("cost: %d profiled, %d weighed, %d rendered, %d taken from the store", r.Work.Profiled, r.Work.Weighed, r.Work.Rendered, r.Work.Taken)
	var rows [][]string
	for _, step := range []pipeline.Step{pipeline.StepIntake, pipeline.StepSurvey, pipeline.StepProfile, pipeline.StepWeigh, pipeline.StepFile, pipeline.StepCheck} {
		c, ok := r.Cost[step]
		if !ok {
			continue
		}
		speed := "–"
		if c.CPUS > 0 && c.AudioS > 0 {
			speed = sprintf("%.0f x real time", c.AudioS/c.CPUS)
		}
		rows = append(rows, []string{string(step), sprintf("%.2f s of processor", c.CPUS), speed})
	}
	t.table(rows)
	t.line("")
}

// cautions stand where someone is asked to listen or told about a booth.
func (t *text) cautions() {
	t.line("Listen at a moderate level: loud listening harms hearing. What is said of a booth is acoustic guidance;")
	t.line("panels, wiring, ventilation and fire rating follow local codes and licensed practice.")
	t.line("What checks find and miss was counted on synthetic voices, not on a house's own recordings.")
}

// reel is what is heard when in the listening reel.
func (t *text) reel(parts []reel.Part) {
	if len(parts) == 0 {
		return
	}
	t.line("reel.flac, for one listen at a moderate level")
	rows := [][]string{{"at", "", "chapter", "", "in its file"}}
	for _, p := range parts {
		rows = append(rows, []string{clock(p.AtS), string(p.What), sprintf("%d", p.Chapter), p.Name, clock(p.FromS) + " to " + clock(p.ToS)})
	}
	t.table(rows)
	t.line("")
}

func (t *text) deliveries(r Report) {
	for _, d := range r.Deliveries {
		files := count(d.Files, "file")
		switch {
		case d.Forced != "":
			t.line("delivered: %s, %s in %s, although %s; forced: %s", d.Spec, files, d.Folder, d.Withheld, d.Forced)
		case d.Complete:
			t.line("delivered: %s, %s in %s", d.Spec, files, d.Folder)
		default:
			t.line("withheld: %s, because %s; %s for the ear in %s", d.Spec, d.Withheld, files, d.Folder)
		}
	}
	for _, s := range r.Skipped {
		t.line("skipped: %s", s.Why)
	}
}

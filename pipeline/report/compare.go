package report

import (
	"io"
	"math"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/attention"
	"chapterhouse/pipeline/compare"
)

// Comparison writes what became of one run in another for a person at a
// terminal: the chains that changed, then the chapters, those alike in a line.
func Comparison(w io.Writer, c compare.Comparison) error {
	t := &text{w: w}
	t.line("%s · run %s beside run %s", c.Title, c.Is, c.Was)
	t.line("")
	for _, ch := range c.Chains {
		t.line("chain %s of %s, %s: %s → %s", ch.Chain, name(ch.Narrator), ch.Setup, revision(ch.Was), revision(ch.Is))
		for _, line := range ch.Changes {
			t.line("  %s", line)
		}
	}
	if len(c.Chains) == 0 {
		t.line("no chain changed")
	}
	t.line("")
	t.alike(c)
	t.files(c)
	t.spectra(c)
	t.stageChanges(c)
	t.findingChanges(c)
	return t.err
}

func revision(d pipeline.Digest) string {
	if d == "" {
		return "none"
	}
	return d.Short()
}

// alike says which chapters need no look, and which one run alone has.
func (t *text) alike(c compare.Comparison) {
	var same []string
	for _, ch := range c.Chapters {
		if ch.Identical {
			same = append(same, sprintf("%d", ch.Number))
		}
	}
	switch {
	case len(same) == len(c.Chapters):
		t.line("all %s identical, by the digests of their files", count(len(same), "chapter"))
	case len(same) > 0:
		t.line("identical, by the digests of their files: %s %s", plural(len(same), "chapter"), strings.Join(same, ", "))
	}
	for _, ch := range c.Chapters {
		switch {
		case ch.Only != "":
			t.line("%d, %s: only run %s has it", ch.Number, ch.Name, ch.Only)
		case ch.Holes[0] == "" && ch.Holes[1] != "":
			t.line("%d, %s: has no file any more: %s", ch.Number, ch.Name, ch.Holes[1])
		case ch.Holes[0] != "" && ch.Holes[1] == "":
			t.line("%d, %s: has a file now; there was none: %s", ch.Number, ch.Name, ch.Holes[0])
		case ch.Verdicts[0] != ch.Verdicts[1]:
			t.line("%d, %s: was %s, is %s", ch.Number, ch.Name, ch.Verdicts[0], ch.Verdicts[1])
		}
	}
}

func plural(n int, what string) string {
	if n == 1 {
		return what
	}
	return what + "s"
}

// files is a row for each file that differs.
func (t *text) files(c compare.Comparison) {
	rows := [][]string{
		{"", "chapter", "spec", "gain", "RMS, plain", "loudness", "true peak", "noise floor", "left at one level"},
		{"", "", "", "dB", "dBFS", "LUFS", "dBTP", "dBFS", "dB under the file"},
	}
	for _, ch := range c.Chapters {
		for _, f := range ch.Files {
			if f.Identical {
				continue
			}
			row := []string{sprintf("%d", ch.Number), ch.Name, f.Spec}
			if f.RMS == (compare.Pair{}) {
				rows = append(rows, append(row, "–", "–", "–", "–", "–", f.Note))
				continue
			}
			rows = append(rows, append(row, sprintf("%+.1f", float64(f.GainDB)), was(f.RMS), was(f.Loudness), was(f.TruePeak), was(f.Floor), left(f)))
		}
	}
	if len(rows) > 2 {
		t.line("")
		t.line("files that differ: run %s → run %s", c.Was, c.Is)
		t.table(rows)
	}
}

func was(p compare.Pair) string {
	return sprintf("%s → %s", hundredth(p.Was), hundredth(p.Is))
}

func hundredth(v dsp.DB) string {
	if math.IsNaN(float64(v)) || math.IsInf(float64(v), -1) {
		return num(float64(v))
	}
	return sprintf("%.2f", float64(v))
}

func left(f compare.File) string {
	switch r := f.Residual; {
	case r == nil:
		return f.Note
	case math.IsNaN(float64(r.LeftDB)):
		return "one of them is silence"
	case math.IsInf(float64(r.LeftDB), -1):
		return sprintf("nothing, at %+.2f dB", float64(r.GainDB))
	default:
		return sprintf("%.1f, at %+.2f dB", -float64(r.LeftDB), float64(r.GainDB))
	}
}

// shapeDB is the change of a band that is worth a line.
const shapeDB = 0.5

// spectra names the bands that changed most, each with its sign.
func (t *text) spectra(c compare.Comparison) {
	said := false
	for _, ch := range c.Chapters {
		for _, f := range ch.Files {
			up, down := compare.Most(f.Spectrum, 1), compare.Most(f.Spectrum, -1)
			if up.DB < shapeDB && down.DB > -shapeDB {
				continue
			}
			if !said {
				t.line("")
				t.line("spectrum while speaking, beside the level's own change")
				said = true
			}
			t.line("  %d, %s, %s: %s", ch.Number, ch.Name, f.Spec, strings.Join(nonEmpty(bandOf(up), bandOf(down)), ", "))
		}
	}
}

func bandOf(b compare.BandChange) string {
	if math.Abs(float64(b.DB)) < shapeDB {
		return ""
	}
	return sprintf("%+.1f dB at %.0f Hz", float64(b.DB), b.Hz)
}

// stageChanges is a row for each stage that does more or less: of a chain's once,
// for all specs, of the limiter's for each.
func (t *text) stageChanges(c compare.Comparison) {
	rows := [][]string{{"", "chapter", "spec", "stage", "active", "median dB", "95 % dB", "deepest dB"}}
	for _, ch := range c.Chapters {
		said := map[compare.StageChange]bool{}
		for _, f := range ch.Files {
			for _, s := range f.Stages {
				spec := f.Spec
				if s.Stage != "limiter" {
					if said[s] {
						continue
					}
					said[s], spec = true, ""
				}
				rows = append(rows, []string{
					sprintf("%d", ch.Number), ch.Name, spec, s.Stage,
					sprintf("%.0f → %.0f %%", 100*s.Was.Share, 100*s.Is.Share),
					pair(float64(s.Was.MedianDB), float64(s.Is.MedianDB)), pair(float64(s.Was.P95DB), float64(s.Is.P95DB)), pair(float64(s.Was.MaxDB), float64(s.Is.MaxDB)),
				})
			}
		}
	}
	if len(rows) > 1 {
		t.line("")
		t.line("what the stages do")
		t.table(rows)
	}
}

func (t *text) findingChanges(c compare.Comparison) {
	var rows [][]string
	for _, ch := range c.Chapters {
		add := func(word string, found []pipeline.Finding) {
			for _, f := range attention.Together(found) {
				rows = append(rows, []string{word, weight(f), sprintf("%d %s", ch.Number, ch.Name), place(f), kind(f), f.Measured})
			}
		}
		add("new", ch.Won)
		add("gone", ch.Lost)
	}
	if len(rows) > 0 {
		t.line("")
		t.line("findings that are new or gone; times are in the source")
		t.table(rows)
	}
}

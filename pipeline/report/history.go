package report

import (
	"fmt"
	"io"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// History writes how a narrator sounded, title by title, the latest last, and
// which checks' findings people dismiss.
func History(w io.Writer, narrator string, all []pipeline.Past, dismissed []pipeline.Dismissal) error {
	t := &text{w: w}
	t.line("%s: %s of %s, the latest last", narrator, count(len(all), "session"), count(titles(all), "title"))
	t.line("")
	rows := [][]string{
		{"title", "setup", "session", "chapters", "speech", "room tone", "signal-to-noise", "pace", "reverberation", "furthest from the others"},
		{"", "", "", "of a minute", "dBFS", "dBFS", "dB", "syllables/s", "s", ""},
	}
	why := map[string]bool{} // what is not known, and the reason
	for i, p := range all {
		row := []string{p.Title, p.Setup, p.Session}
		for _, c := range pastCells(all, i) {
			if c.text == "" {
				c.text, why[c.unknown] = unknownCell, true
			}
			row = append(row, c.text)
		}
		rows = append(rows, row)
	}
	t.table(rows)
	t.line("")
	if len(why) > 0 {
		t.line("%s stands for what is not known", unknownCell)
		for _, c := range pastCells([]pipeline.Past{{}}, 0) {
			if why[c.unknown] {
				t.line("  %s", c.unknown)
			}
		}
		t.line("")
	}
	t.dismissed(dismissed)
	return t.err
}

const unknownCell = "–"

// A pastCell is one of a session's figures, or why it is not known.
type pastCell struct{ text, unknown string }

// pastCells are those of the i-th session, in the order of columns.
func pastCells(all []pipeline.Past, i int) []pastCell {
	p := all[i]
	l := p.Likeness
	chapters := ""
	if p.Chapters > 0 {
		chapters = fmt.Sprint(p.Chapters)
	}
	reverb := unlessZero(l.ReverbS, "%.2f")
	if l.ReverbS == 0 && (meter.Reverberation{DirectDB: l.DirectDB}).Class() == "dry" {
		reverb = sprintf("< %.2f", meter.ShortestReverbS)
	}
	return []pastCell{
		{chapters, "chapters of a minute: there is none, and the other figures are those of shorter parts"},
		{unlessZero(float64(l.Speech), "%.1f"), "speech: nobody was heard speaking"},
		{unlessZero(float64(l.Floor), "%.1f"), "room tone: there was no half second without speech"},
		{unlessZero(float64(l.SNR), "%.1f"), "signal-to-noise: for want of speech or room tone"},
		{unlessZero(l.Pace, "%.1f"), "pace: there were less than ten seconds of speech"},
		{reverb, "reverberation: too few words ended in a pause to hear it by"},
		{furthest(all, i), "furthest from the others: no other session with the setup has a spectrum"},
	}
}

func titles(all []pipeline.Past) int {
	seen := map[string]bool{}
	for _, p := range all {
		seen[p.Title] = true
	}
	return len(seen)
}

func unlessZero(v float64, format string) string {
	if v == 0 || math.IsInf(v, 0) || math.IsNaN(v) {
		return ""
	}
	return sprintf(format, v)
}

// furthest is the third octave in which a session's spectrum lies furthest from
// the middle of the other sessions with its setup; empty where nothing can be said.
func furthest(all []pipeline.Past, i int) string {
	bands := spectrum.ThirdOctaves()
	own := all[i].Likeness.Spectrum
	if !known(own) {
		return ""
	}
	most, at := 0.0, -1
	for k := range bands {
		var others []float64
		for j, p := range all {
			if j != i && p.Setup == all[i].Setup && known(p.Likeness.Spectrum) {
				others = append(others, float64(p.Likeness.Spectrum[k]))
			}
		}
		if len(others) == 0 {
			return ""
		}
		slices.Sort(others)
		d := float64(own[k]) - (others[len(others)/2]+others[(len(others)-1)/2])/2
		if bands[k].Mid >= 100 && bands[k].Mid <= 10000 && math.Abs(d) > math.Abs(most) { // where a voice is
			most, at = d, k
		}
	}
	if at < 0 {
		return ""
	}
	return sprintf("%+.1f dB at %.0f Hz", most, bands[at].Mid)
}

// known tells whether a spectrum was measured.
func known(s pipeline.Spectrum) bool {
	return len(s) == len(spectrum.ThirdOctaves()) && slices.ContainsFunc(s, func(v dsp.DBFS) bool { return v != 0 })
}

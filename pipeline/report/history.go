package report

import (
	"fmt"
	"io"
	"math"
	"slices"

	"chapterhouse/dsp"
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
	for i, p := range all {
		l := p.Likeness
		rows = append(rows, []string{
			p.Title, p.Setup, p.Session, fmt.Sprint(p.Chapters), unlessZero(float64(l.Speech), "%.1f"), unlessZero(float64(l.Floor), "%.1f"), unlessZero(float64(l.SNR), "%.1f"),
			unlessZero(l.Pace, "%.1f"), unlessZero(l.ReverbS, "%.2f"), furthest(all, i),
		})
	}
	t.table(rows)
	t.line("")
	t.dismissed(dismissed)
	return t.err
}

func titles(all []pipeline.Past) int {
	seen := map[string]bool{}
	for _, p := range all {
		seen[p.Title] = true
	}
	return len(seen)
}

func unlessZero(v float64, format string) string {
	if v == 0 {
		return "–"
	}
	return sprintf(format, v)
}

// furthest is the third octave in which a session's spectrum lies furthest from
// the middle of the other sessions with its setup.
func furthest(all []pipeline.Past, i int) string {
	bands := spectrum.ThirdOctaves()
	own := all[i].Likeness.Spectrum
	if !known(own) {
		return "–"
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
			return "–"
		}
		slices.Sort(others)
		d := float64(own[k]) - (others[len(others)/2]+others[(len(others)-1)/2])/2
		if bands[k].Mid >= 100 && bands[k].Mid <= 10000 && math.Abs(d) > math.Abs(most) { // where a voice is
			most, at = d, k
		}
	}
	if at < 0 {
		return "–"
	}
	return sprintf("%+.1f dB at %.0f Hz", most, bands[at].Mid)
}

// known tells whether a spectrum was measured.
func known(s pipeline.Spectrum) bool {
	return len(s) == len(spectrum.ThirdOctaves()) && slices.ContainsFunc(s, func(v dsp.DBFS) bool { return v != 0 })
}

package report

import (
	"math"

	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline/clinic"
)

// likeView is what a chain from a pair leaves.
type likeView struct {
	Says        []string
	Heads       []string
	Rows        [][]string
	Unexplained []string
}

func likeViewOf(m clinic.Match) *likeView {
	v := &likeView{Says: []string{sprintf("%s: %s", m.Confidence, m.Why)}, Heads: []string{"where", "mean, dB", "RMS, dB"}, Unexplained: m.Unexplained}
	if a := m.Alignment; a.FoundS > 0 {
		v.Says = append(v.Says, sprintf("the finished begins %s, and is %s than the draft", amount(a.DelayS, 0.005, "%.2f s later", "%.2f s earlier", "where the raw does"), amount(float64(m.GainDB), 0.05, "%.1f dB louder", "%.1f dB softer", "no louder")))
	}
	for _, d := range m.Left {
		where := "all of it"
		switch {
		case d.Pauses:
			where = "in pauses"
		case d.Hz > 0:
			where = sprintf("at %g Hz", nominal(d.Hz))
		case d.LevelDBFS != 0:
			where = sprintf("at %.0f dBFS", float64(d.LevelDBFS))
		}
		v.Rows = append(v.Rows, []string{where, sprintf("%+.1f", tenth(float64(d.MeanDB))), sprintf("%.1f", float64(d.RMSDB))})
	}
	return v
}

// amount is a figure in words: more, less, or none.
func amount(v, least float64, more, less, none string) string {
	switch {
	case v >= least:
		return sprintf(more, v)
	case v <= -least:
		return sprintf(less, -v)
	}
	return none
}

// tenth is a figure to a tenth, without a sign before nothing.
func tenth(v float64) float64 { return math.Round(10*v)/10 + 0 }

// nominal is what the third octave in the middle of which a frequency lies is called.
func nominal(hz float64) float64 {
	for i, b := range spectrum.ThirdOctaves() {
		if hz < b.Upper && hz > b.Lower {
			return spectrum.NominalHz(i)
		}
	}
	return hz
}

// like writes it for a terminal.
func (t *text) like(m clinic.Match) {
	v := likeViewOf(m)
	t.line("")
	t.line("what is left between the draft like and the finished one")
	for _, s := range v.Says {
		t.line("  %s", s)
	}
	rows := [][]string{append([]string{}, v.Heads...)}
	rows[0][0] = "  " + rows[0][0]
	for _, r := range v.Rows {
		rows = append(rows, []string{"  " + r[0], r[1], r[2]})
	}
	t.table(rows)
	for _, u := range m.Unexplained {
		t.line("  no stage explains: %s", u)
	}
}

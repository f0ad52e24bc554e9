package report

import (
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
		v.Says = append(v.Says, sprintf("%.0f of %.0f s of speech were found in the finished one, which begins %.2f s later and is %+.1f dB louder than the draft", a.FoundS, a.OfS, a.DelayS, float64(m.GainDB)))
	}
	for _, d := range m.Left {
		where := "all of it"
		switch {
		case d.Pauses:
			where = "in pauses"
		case d.Hz > 0:
			where = sprintf("at %g Hz", d.Hz)
		case d.LevelDBFS != 0:
			where = sprintf("at %.0f dBFS", float64(d.LevelDBFS))
		}
		v.Rows = append(v.Rows, []string{where, sprintf("%+.1f", float64(d.MeanDB)), sprintf("%.1f", float64(d.RMSDB))})
	}
	return v
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

package report

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// TestHours: every finished second is somebody's once, by role, a chapter in two
// voices by how long each speaks; holes and music are nobody's.
func TestHours(t *testing.T) {
	chapter := func(role pipeline.Role, seconds float64, voices map[string]float64) pipeline.ChapterOutcome {
		ch := pipeline.ChapterOutcome{Role: role}
		for _, who := range []string{"ines", "tobias"} {
			if s, ok := voices[who]; ok {
				p := pipeline.PartOutcome{Part: pipeline.Part{Voice: pipeline.Voice{Narrator: who}}}
				p.Profile.Cut = pipeline.Cut{RateHz: 1000, Speech: pipeline.Span{From: 500, To: 500 + dsp.FramesIn(s, 1000)}}
				ch.Parts = append(ch.Parts, p)
			}
		}
		if seconds > 0 {
			f := pipeline.FileOutcome{Spec: "retail"}
			f.Record.LengthS = seconds
			other := f
			other.Spec, other.Record.LengthS = "lossless", seconds+1
			ch.Files = []pipeline.FileOutcome{other, f}
		}
		return ch
	}
	r := Report{Outcome: pipeline.Outcome{
		Title: "=Two Rivers", Run: "000002", Specs: []pipeline.Spec{{Spec: "retail"}, {Spec: "lossless"}}, Narrators: map[string]string{"ines": "Ines Marlow"},
		Chapters: []pipeline.ChapterOutcome{
			chapter(pipeline.RoleOpening, 30, map[string]float64{"ines": 20}),
			chapter(pipeline.RoleChapter, 600, map[string]float64{"ines": 500}),
			chapter(pipeline.RoleChapter, 1200, map[string]float64{"ines": 300, "tobias": 100}),
			chapter(pipeline.RoleChapter, 0, map[string]float64{"tobias": 100}),
			chapter(pipeline.RoleAsset, 60, map[string]float64{"": 0}),
			chapter(pipeline.RoleExcerpt, 120, map[string]float64{"tobias": 100}),
			chapter(pipeline.RoleClosing, 45, map[string]float64{"ines": 20}),
		},
	}}
	rows := func(narrator string, reports ...Report) (out []string) {
		var b bytes.Buffer
		if err := HoursCSV(&b, narrator, reports...); err != nil {
			t.Fatal(err)
		}
		all, err := csv.NewReader(strings.NewReader(strings.TrimPrefix(b.String(), "\ufeff"))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range all[1:] {
			out = append(out, strings.Join(r, "|"))
		}
		return out
	}
	want := []string{
		pipeline.Cell("=Two Rivers") + "|000002|ines|Ines Marlow|retail|2|25|0.5|0.75|0|26.25",
		pipeline.Cell("=Two Rivers") + "|000002|tobias||retail|1|5|0|0|2|7",
	}
	if got := rows("", r); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("got %q, want %q", got, want)
	}
	if got := rows("tobias", r, r); fmt.Sprint(got) != fmt.Sprint([]string{want[1], want[1]}) {
		t.Errorf("of one narrator in two titles: %q", got)
	}
	if got := rows("", Report{}); len(got) != 0 {
		t.Errorf("of nothing: %q", got)
	}
}

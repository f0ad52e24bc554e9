package worker

import (
	"bytes"
	"encoding/json"
	"runtime"
	"slices"
	"strings"
	"testing"

	"chapterhouse/pipeline"
)

// FuzzRecipe: whatever lies under a recipe's name, and has that digest, is
// refused in one sentence, or is a recipe that says the same again and has
// what its step needs. It costs no more memory than its size tells.
func FuzzRecipe(f *testing.F) {
	source := pipeline.DigestOf([]byte("what was recorded"))
	cut := pipeline.Cut{Source: source, Span: pipeline.Span{To: 100}, SourceRateHz: 44100, RateHz: 44100, Fold: pipeline.FoldMono}
	chain := []pipeline.Resolved{{Stage: "highpass", Rev: 1, Params: json.RawMessage(`{"cutoff_hz":80}`)}}
	for step, fill := range map[pipeline.Step]func(*pipeline.Recipe){
		pipeline.StepIntake:  func(r *pipeline.Recipe) { r.Intake = &pipeline.IntakeRecipe{Source: source} },
		pipeline.StepSurvey:  func(r *pipeline.Recipe) { r.Survey = &pipeline.SurveyRecipe{Source: source} },
		pipeline.StepProfile: func(r *pipeline.Recipe) { r.Profile = &pipeline.ProfileRecipe{Source: source, RateHz: 44100} },
		pipeline.StepWeigh:   func(r *pipeline.Recipe) { r.Weigh = &pipeline.WeighRecipe{Cut: cut, Chain: chain} },
		pipeline.StepFile: func(r *pipeline.Recipe) {
			r.File = &pipeline.FileRecipe{Parts: []pipeline.FilePart{{Cut: cut, Chain: chain}}, Role: pipeline.RoleChapter}
		},
		pipeline.StepCheck: func(r *pipeline.Recipe) {
			r.Check = &pipeline.CheckRecipe{Parts: []pipeline.CheckPart{{Cut: cut}}}
		},
		pipeline.StepFit: func(r *pipeline.Recipe) { r.Fit = &pipeline.FitRecipe{Profiles: []pipeline.Digest{source}} },
		pipeline.StepLevel: func(r *pipeline.Recipe) {
			r.Level = &pipeline.LevelRecipe{Chapters: []pipeline.LevelChapter{{Weighs: []pipeline.Digest{source}}}}
		},
	} {
		r := pipeline.NewRecipe(step)
		fill(&r)
		f.Add(r.Text())
		r.File = &pipeline.FileRecipe{Parts: []pipeline.FilePart{}} // of two steps at once
		f.Add(r.Text())
	}
	odd := pipeline.NewRecipe("series")
	f.Add(odd.Text())
	for _, text := range []string{
		``, `null`, `{}`, `[]`, `{"step":"intake"}`, `{"step":"file","file":null}`, `{"step":"file","intake":{}}`,
		`{"arch":"amd64","check":{"parts":[]},"file":{},"rev":1,"step":"check"}`,
		`{"arch":"","rev":1,"step":"weigh","weigh":{"chain":[{"params":1e999,"rev":1,"stage":"gain"}],"cut":{},"facts":{},"fit_db":0}}`,
		`{"step":"weigh","weigh":{"fit_db":"-inf"}}`, `{"step":"profile","profile":{"rate_hz":9e99}}`,
	} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		if len(text) > 1<<16 {
			return
		}
		tryRecipe(t, text)
		// Few texts are canonical by chance: the recipe that this one is read
		// as is another.
		var r pipeline.Recipe
		if json.Unmarshal(text, &r) == nil {
			if again, err := pipeline.Canonical(r); err == nil {
				tryRecipe(t, again)
			}
		}
	})
}

func tryRecipe(t *testing.T, text []byte) {
	key := pipeline.DigestOf(text)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	r, err := parseRecipe(key, text)
	runtime.ReadMemStats(&after)
	if took := after.TotalAlloc - before.TotalAlloc; took > 1<<20+2000*uint64(len(text)) {
		t.Errorf("%d bytes of memory for %d", took, len(text))
	}
	if err != nil {
		if pipeline.KindOf(err) != pipeline.Bug || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: kind %s of %q", text, pipeline.KindOf(err), err)
		}
		return
	}
	if r.Key() != key {
		t.Errorf("%q is read as %q", text, r.Text())
	}
	if len(r.Inputs()) == 0 && !(r.Step == pipeline.StepFile && len(r.File.Parts) == 0 || r.Step == pipeline.StepCheck && len(r.Check.Parts) == 0) {
		t.Errorf("%q reads nothing", text)
	}
	if _, err := parseRecipe(pipeline.DigestOf([]byte("other")), text); err == nil {
		t.Errorf("%q is the recipe of any key", text)
	}
}

// FuzzLines: whatever a child says, and in whatever pieces it comes, the same
// lines are heard, none of them longer than a line may be, and no more is kept.
func FuzzLines(f *testing.F) {
	key := pipeline.DigestOf([]byte("k"))
	f.Add([]byte(`{"key":"`+string(key)+`","step":"file","part":0.5}`+"\n"), []byte{3, 9})
	f.Add([]byte(`{"failed":{"kind":"crash","text":"it died"}}`+"\n"+`{"part":1}`+"\n"), []byte{1})
	f.Add([]byte("\n\n{}\nnull\n{\"failed\":null}\n{\"failed\":{}}"), []byte{0, 255})
	f.Add(append(bytes.Repeat([]byte("x"), maxLine+2), "\n{}\n"...), []byte{200, 200, 7})
	f.Add([]byte(`{"part":1e400}`+"\n"+`{"key":7}`+"\n"), []byte{})
	f.Fuzz(func(t *testing.T, said, pieces []byte) {
		if len(said) > 1<<18 {
			return
		}
		var whole, parts []Line
		a := &listener{tell: func(l Line) { whole = append(whole, l) }}
		b := &listener{tell: func(l Line) { parts = append(parts, l) }}
		if n, err := a.Write(said); n != len(said) || err != nil {
			t.Fatalf("%d of %d bytes, %v", n, len(said), err)
		}
		rest := said
		for i := 0; len(rest) > 0; i++ {
			n := len(rest)
			if i < len(pieces) {
				n = min(n, 1+int(pieces[i])*300)
			}
			if m, err := b.Write(rest[:n]); m != n || err != nil {
				t.Fatalf("%d of %d bytes, %v", m, n, err)
			}
			rest = rest[n:]
			if len(b.line) > maxLine || cap(b.line) > 4*maxLine {
				t.Fatalf("%d bytes are kept of a line", len(b.line))
			}
		}
		if !slices.Equal(whole, parts) || (a.failed == nil) != (b.failed == nil) || a.failed != nil && *a.failed != *b.failed {
			t.Fatalf("heard %v and %v, and in pieces %v and %v", whole, a.failed, parts, b.failed)
		}
		if lines := bytes.Count(said, []byte("\n")); len(whole) > lines {
			t.Fatalf("%d lines heard of %d", len(whole), lines)
		}
		if a.failed != nil && a.failed.Kind == "" {
			t.Error("a failure of no kind")
		}
	})
}

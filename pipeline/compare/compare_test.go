package compare

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/series"
)

func run(name string, chapters ...pipeline.ChapterOutcome) Run {
	return Run{Outcome: pipeline.Outcome{Run: name, Slug: "two-rivers", Title: "Two Rivers", Chapters: chapters}}
}

// made is a chapter with one file; its pictures have the file's blob as name.
func made(number int, blob string, change func(*pipeline.FileOutcome)) pipeline.ChapterOutcome {
	f := pipeline.FileOutcome{Spec: "lossless", Format: pipeline.FileFormat{Format: pipeline.FLAC, RateHz: 44100, Channels: 1}, Blob: pipeline.Digest(blob), Series: pipeline.Digest(blob), GainDB: []dsp.DB{4}}
	f.Record.Stages = []pipeline.StageUse{{Stage: "compressor", Share: 0.2}}
	if change != nil {
		change(&f)
	}
	return pipeline.ChapterOutcome{Number: number, Name: fmt.Sprint("Chapter ", number), Role: pipeline.RoleChapter, Verdict: pipeline.Ready, Files: []pipeline.FileOutcome{f}}
}

func flat(db float64) pipeline.Spectrum {
	s := make(pipeline.Spectrum, len(spectrum.SixthOctaves()))
	for i := range s {
		s[i] = dsp.DBFS(db)
	}
	return s
}

// pictures are what a test's files show.
func pictures(ctx context.Context, blob pipeline.Digest) (series.File, error) {
	f := series.File{Spectrum: flat(-40), Bodies: []series.Body{{Source: "s", FileS: 0.75, SourceS: 1, LengthS: 60}}}
	switch blob {
	case "louder":
		f.Spectrum = flat(-37)
		f.Spectrum[30] += 4
		f.Bodies[0].FileS = 1
	case "other-parts":
		f.Bodies = append(f.Bodies, f.Bodies[0])
	case "torn":
		return f, errors.New("torn")
	}
	return f, nil
}

func listen(asked *[]float64) Listen {
	return Listen{Series: pictures, Residual: func(_ context.Context, _, _ pipeline.FileOutcome, late float64) (Residual, error) {
		*asked = append(*asked, late)
		return Residual{GainDB: 3, LeftDB: -40}, nil
	}}
}

// TestRuns: what is alike is told by its digest and not listened to; of what
// differs every figure that moved is told.
func TestRuns(t *testing.T) {
	old := pipeline.Finding{Check: "clipped", Source: "s", StartS: 3, Do: "listen"}
	near := pipeline.Finding{Check: "clipped", Source: "s", StartS: 3.4, Do: "listen", Measured: "more"}
	news := pipeline.Finding{Check: "limiter", Source: "s", StartS: 3, Do: "compress"}
	alike, changed := made(1, "a", nil), made(2, "a", nil)
	alike.Findings, changed.Findings = []pipeline.Finding{old}, []pipeline.Finding{old}
	alikeNow := made(1, "a", nil)
	alikeNow.Findings = []pipeline.Finding{near}
	now := made(2, "louder", func(f *pipeline.FileOutcome) {
		f.GainDB, f.TrimDB = []dsp.DB{6.5}, 0.5
		f.Record.Levels.RMS = -17
		f.Record.Stages = []pipeline.StageUse{{Stage: "compressor", Share: 0.3}, {Stage: "de-esser", Share: 0.1}}
	})
	now.Findings, now.Verdict = []pipeline.Finding{news}, pipeline.Listen
	var asked []float64
	got, err := Runs(t.Context(), run("000001", alike, changed, made(3, "a", nil)), run("000002", alikeNow, now, made(4, "a", nil)), listen(&asked))
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(asked, []float64{0.25}) {
		t.Errorf("listened to files late by %v, want one by 0.25 s", asked)
	}
	if len(got.Chapters) != 4 || !got.Chapters[0].Identical || got.Chapters[1].Identical || got.Chapters[2].Only != "000002" || got.Chapters[3].Only != "000001" || got.Chapters[3].Number != 3 {
		t.Fatalf("%+v", got.Chapters)
	}
	ch := got.Chapters[1]
	if !reflect.DeepEqual(ch.Won, []pipeline.Finding{news}) || !reflect.DeepEqual(ch.Lost, []pipeline.Finding{old}) {
		t.Errorf("won %+v, lost %+v", ch.Won, ch.Lost)
	}
	f := ch.Files[0]
	if f.GainDB != 3 || f.RMS != (Pair{0, -17}) || f.Residual == nil || f.Residual.LeftDB != -40 {
		t.Errorf("%+v", f)
	}
	if up := Most(f.Spectrum, 1); up.DB != 4 || Most(f.Spectrum, -1) != (BandChange{}) {
		t.Errorf("rose most %+v", up)
	}
	if len(f.Stages) != 2 || f.Stages[0].Was.Share != 0.2 || f.Stages[0].Is.Share != 0.3 || f.Stages[1].Was.Share != 0 {
		t.Errorf("stages %+v", f.Stages)
	}
}

// TestNoResidual: where two files can't be laid over each other the reason is told.
func TestNoResidual(t *testing.T) {
	for _, c := range []struct {
		what string
		is   pipeline.ChapterOutcome
		note string
	}{
		{"another part", made(1, "other-parts", nil), "the parts differ: what is left between the files can't be told"},
		{"another rate", made(1, "louder", func(f *pipeline.FileOutcome) { f.Format.RateHz = 48000 }), "the formats differ: what is left between the files can't be told"},
		{"no pictures", made(1, "louder", func(f *pipeline.FileOutcome) { f.Series = "" }), "one of the runs kept no pictures of it: its spectrum and residual can't be told"},
		{"another spec", made(1, "louder", func(f *pipeline.FileOutcome) { f.Spec = "retail" }), "the other run made none"},
	} {
		var asked []float64
		got, err := Runs(t.Context(), run("000001", made(1, "a", nil)), run("000002", c.is), listen(&asked))
		if err != nil || len(asked) > 0 || got.Chapters[0].Files[0].Note != c.note || got.Chapters[0].Identical {
			t.Errorf("%s: %v, listened %v, %+v", c.what, err, asked, got.Chapters)
		}
	}
	if _, err := Runs(t.Context(), run("1", made(1, "a", nil)), run("2", made(1, "torn", nil)), listen(new([]float64))); err == nil {
		t.Error("no error where pictures are torn")
	}
}

// TestChains: a chain that changed says how, and one that came or went.
func TestChains(t *testing.T) {
	with := func(name string, chain *pipeline.Chain) Run {
		r := run(name)
		r.Sessions = []pipeline.SessionOutcome{{Narrator: "ines", Setup: "booth", Session: "found-1"}, {Narrator: "ines", Setup: "booth", Session: "found-2"}}
		r.Submission.Narrators = map[string]pipeline.Narrator{"ines": {Setups: map[string]pipeline.Setup{"booth": {Chain: chain}}}}
		return r
	}
	chain := func(hz string) *pipeline.Chain {
		return &pipeline.Chain{Chain: "cupboard", SpeechDBFS: -23, Stages: []pipeline.Resolved{{Stage: "highpass", Rev: 1, Params: []byte(`{"cutoff_hz":` + hz + `,"slope_db_per_octave":12}`)}}}
	}
	for _, c := range []struct {
		was, is *pipeline.Chain
		want    []string
	}{
		{chain("80"), chain("80"), nil},
		{nil, nil, nil},
		{chain("80"), chain("90"), []string{"stage 1 (highpass): cutoff_hz was 80, is 90"}},
		{nil, chain("90"), []string{"there was none"}},
		{chain("80"), nil, []string{"there is none any more"}},
	} {
		got, err := Runs(t.Context(), with("000001", c.was), with("000002", c.is), Listen{})
		if err != nil {
			t.Fatal(err)
		}
		var lines []string
		for _, ch := range got.Chains {
			lines = append(lines, ch.Changes...)
		}
		if !slices.Equal(lines, c.want) {
			t.Errorf("%q, want %q", lines, c.want)
		}
	}
}

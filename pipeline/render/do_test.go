package render

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
)

// demoChain is a chain of the demo house.
func demoChain(t testing.TB, path string) []pipeline.Resolved {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("../../testdata/house/narrators", path))
	if err != nil {
		t.Fatal(err)
	}
	c, faults := chain.Parse(text, path)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return c.Stages
}

// saidParts is what progress told of each step.
type saidParts struct {
	step  pipeline.Step
	parts []float64
}

// One job makes a chapter's siblings: one pass of the chain for all its files,
// a commit on disk as soon as each is done, the same commits again from the
// same job.
func TestDoMakesSiblings(t *testing.T) {
	const rate = 44100
	f := newJobFolder(t)
	x := narration(3, rate, 1, 6, 1)
	p, _ := f.part(f.wav("03 the ferry.wav", rate, 24, x), len(x), rate, demoChain(t, "ines-marlow/chains/cupboard.yaml"))
	lossless, listened, lossy := fileOf(flac24, p), checkOf(p), fileOf(mp3, p)
	lossless.File.Parts[0].GainDB = 3 // gain and trim are no part of the chain's pass
	lossy.File.TrimDB = 0.5
	recipes := []pipeline.Recipe{weighOf(p), lossless, listened, fileOf(wav24, p)}
	if withMP3(t) {
		recipes = append(recipes, lossy)
	}
	said := map[pipeline.Digest]*saidParts{}
	done := map[pipeline.Digest]bool{}
	commits, err := Do(context.Background(), f.dir, f.job(recipes...), func(key pipeline.Digest, step pipeline.Step, part float64) {
		if said[key] == nil {
			said[key] = &saidParts{step: step}
		}
		said[key].parts = append(said[key].parts, part)
		if part == 1 {
			done[key] = true
		}
		for k := range done { // every earlier commit lies there by now
			if _, err := os.Stat(CommitPath(f.dir, k)); k != key && err != nil {
				t.Errorf("%v while the next is made", err)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, r := range recipes {
		c := commits[i]
		if c.Key != r.Key() || c.Step != r.Step || c.Fault != "" {
			t.Errorf("commit %d is of %s %.8s (fault %q), want %s %.8s", i, c.Step, c.Key, c.Fault, r.Step, r.Key())
		}
		if c.Cost.AudioS < 7.9 && r.Step != pipeline.StepFile || c.Cost.AudioS < 6 || c.Cost.CPUS < 0 {
			t.Errorf("%s cost %+v", c.Step, c.Cost)
		}
		text, err := os.ReadFile(CommitPath(f.dir, c.Key))
		var read pipeline.Commit
		if err != nil || json.Unmarshal(text, &read) != nil || !reflect.DeepEqual(read, c) {
			t.Errorf("commit %d on disk: %s, %v", i, text, err)
		}
		for _, o := range c.Files {
			b, err := os.ReadFile(OutputPath(f.dir, o.Blob))
			if err != nil || pipeline.DigestOf(b) != o.Blob || int64(len(b)) != o.Bytes {
				t.Errorf("output of %s: %d bytes, %v", c.Step, len(b), err)
			}
		}
		s := said[c.Key]
		if s == nil || s.step != r.Step || s.parts[len(s.parts)-1] != 1 {
			t.Fatalf("progress of %s: %+v", r.Step, s)
		}
		first := s.parts[0]
		if r.Step == pipeline.StepFile && i > 1 && first < 0.5 {
			t.Errorf("file %d ran the chain again: progress starts at %.2f", i, first)
		}
		if i == 1 && first >= 0.5 {
			t.Errorf("the first file says nothing of the chain: progress starts at %.2f", first)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(f.dir, tempFolder, "*")); len(left) > 0 {
		t.Errorf("scratch files stay: %v", left)
	}
	again := f.do(recipes...)
	for i := range again {
		if !bytes.Equal(again[i].Record, commits[i].Record) || !reflect.DeepEqual(again[i].Files, commits[i].Files) {
			t.Errorf("%s gives another result the second time", again[i].Step)
		}
	}
}

// A record hangs on its recipe alone: not on what the job calls the files, nor
// on what else is made beside it.
func TestRecordsHangOnRecipesAlone(t *testing.T) {
	const rate = 44100
	f := newJobFolder(t)
	x := narration(4, rate, 0.5, 3, 0.5)
	for i := range 40 {
		x[rate+i] = 0.9
	}
	p, _ := f.part(f.wav("one name.wav", rate, 24, x), len(x), rate, nil)
	a := f.do(checkOf(p), fileOf(flac16, p))
	f.names = map[pipeline.Digest]string{p.Cut.Source: "another.wav"}
	b := f.do(fileOf(flac16, p), checkOf(p))
	if !bytes.Equal(a[0].Record, b[1].Record) || !bytes.Equal(a[1].Record, b[0].Record) || a[1].Files[0] != b[0].Files[0] {
		t.Errorf("records differ:\n%s\n%s", a[0].Record, b[1].Record)
	}
	if found := flatTops(record[pipeline.CheckRecord](t, a[0])); len(found) != 1 || found[0].Check != "clipped" || found[0].StartS != 1 {
		t.Errorf("found %+v, want one flat top at 1 s", found)
	}
}

// flatTops are the flat tops that were found. A plateau that is switched on is a
// click and a thump besides.
func flatTops(r pipeline.CheckRecord) []pipeline.Finding {
	return slices.DeleteFunc(r.Findings, func(f pipeline.Finding) bool { return f.Check != "clipped" })
}

// Findings of a part that is a span of its source lie in source time.
func TestFindingsLieInSourceTime(t *testing.T) {
	const rate = 44100
	f := newJobFolder(t)
	x := narration(4, rate, 1, 4, 1)
	for i := range 60 {
		x[3*rate+i] = 0.9
	}
	source := f.wav("a.wav", rate, 24, x)
	r := pipeline.NewRecipe(pipeline.StepCheck)
	r.Check = &pipeline.CheckRecipe{Parts: []pipeline.CheckPart{
		{Cut: pipeline.Cut{Source: source, Span: pipeline.Span{From: 5 * rate / 2, To: 5 * rate}, SourceRateHz: rate, RateHz: rate, Fold: pipeline.FoldMono}},
		{Cut: pipeline.Cut{Source: source, Span: pipeline.Span{To: 2 * rate}, SourceRateHz: rate, RateHz: rate, Fold: pipeline.FoldMono}},
	}}
	found := flatTops(record[pipeline.CheckRecord](t, f.do(r)[0]))
	if len(found) != 1 || found[0].StartS != 3 || found[0].EndS != 3 || found[0].Source != source {
		t.Errorf("found %+v, want one place at 3 s", found)
	}
}

// What can't be used is a result with a fault: one sentence that says what to
// do, and no name, which is not the recipe's.
func TestFaults(t *testing.T) {
	const rate = 44100
	f := newJobFolder(t)
	x := narration(5, rate, 0.5, 3, 0.5)
	good := f.wav("good.wav", rate, 24, x)
	whole, err := os.ReadFile(InputPath(f.dir, good))
	if err != nil {
		t.Fatal(err)
	}
	ordinary, _ := f.part(good, len(x), rate, nil)
	flac := f.do(fileOf(flac24, ordinary))[0]
	packed, err := os.ReadFile(OutputPath(f.dir, flac.Files[0].Blob))
	if err != nil {
		t.Fatal(err)
	}
	frames := len(x)
	for _, c := range []struct {
		name   string
		source pipeline.Digest
		want   string
	}{
		{"digital silence", f.wav("silent.wav", rate, 16, make([]float64, frames)), "digital silence"},
		{"stereo digital silence", f.wav("silent2.wav", rate, 16, make([]float64, frames), make([]float64, frames)), "digital silence"},
		{"room only", f.wav("room.wav", rate, 24, room(1, frames)), "no speech"},
		{"a text", f.put("notes.wav", []byte("Chapter three, take two: mind the lift.\n")), ""},
		{"nothing", f.put("empty.wav", nil), ""},
		{"a truncated WAV", f.put("cut.wav", whole[:len(whole)/2]), "ends at"},
		{"a truncated FLAC", f.put("cut.flac", packed[:len(packed)/2]), ""},
		{"a damaged FLAC", f.put("bad.flac", damage(packed)), "damaged at"},
		{"a file with less than its plan says", good, "ends"},
	} {
		n := frames
		if c.source == good {
			n += rate
		}
		p := ordinary
		p.Cut.Source, p.Cut.Span.To = c.source, dsp.Frames(n)
		recipes := []pipeline.Recipe{profileOf(c.source, n, rate)}
		if c.want != "digital silence" && c.want != "no speech" {
			recipes = append(recipes, weighOf(p), fileOf(flac24, p), checkOf(p))
		}
		for _, commit := range f.do(recipes...) {
			if commit.Fault == "" || len(commit.Record) > 0 || len(commit.Files) > 0 {
				t.Errorf("%s: %s gives record %.40s, fault %q", c.name, commit.Step, commit.Record, commit.Fault)
				continue
			}
			if !strings.Contains(commit.Fault, c.want) || len(commit.Fault) > 200 || strings.ContainsAny(commit.Fault, "\n/") ||
				regexp.MustCompile(`[0-9a-f]{10}|\.wav|\.flac|\. [A-Z]`).MatchString(commit.Fault) || !strings.ContainsAny(commit.Fault, ":?;") {
				t.Errorf("%s: %s has the fault %q", c.name, commit.Step, commit.Fault)
			}
		}
	}
	// Its name is there as soon as the file is asked for its rate.
	if b := f.do(profileOf(good, frames, rate)); b[0].Fault != "" {
		t.Errorf("a good file has the fault %q", b[0].Fault)
	}
}

// damage changes bytes in the middle of a file.
func damage(b []byte) []byte {
	b = bytes.Clone(b)
	for i := range 64 {
		b[len(b)/2+i] ^= 0x5a
	}
	return b
}

// What can't be made is an error of the right kind, and what was made before
// it stays.
func TestErrors(t *testing.T) {
	const rate = 44100
	f := newJobFolder(t)
	x := narration(6, rate, 0.5, 2, 0.5)
	source := f.wav("a.wav", rate, 24, x)
	p, _ := f.part(source, len(x), rate, nil)
	with := func(stages ...pipeline.Resolved) pipeline.FilePart {
		q := p
		q.Chain = stages
		return q
	}
	encoder := fileOf(mp3, p)
	encoder.File.Encoder = "lame 0.1"
	missing := p
	missing.Cut.Source = pipeline.DigestOf([]byte("not here"))
	for _, c := range []struct {
		name   string
		recipe pipeline.Recipe
		kind   pipeline.Kind
		want   string
	}{
		{"a stage that can't be made", fileOf(flac24, with(stage("gain", 1, `{"gain_db":0}`), stage("lowpass", 1, `{"cutoff_hz":30000,"slope_db_per_octave":24}`))), pipeline.House, "stage 2 (lowpass)"},
		{"the same, weighed", weighOf(with(stage("lowpass", 1, `{"cutoff_hz":30000,"slope_db_per_octave":24}`))), pipeline.House, "stage 1 (lowpass)"},
		{"a stage of another build", fileOf(flac24, with(stage("gain", 77, `{"gain_db":0}`))), pipeline.Infra, "revision"},
		{"a stage nobody knows", fileOf(flac24, with(stage("sprinkle", 1, `{}`))), pipeline.Infra, "sprinkle"},
		{"a format nobody knows", fileOf(pipeline.FileFormat{Format: "ogg", RateHz: rate, Channels: 1}, p), pipeline.House, "ogg"},
		{"a rate out of reach", fileOf(pipeline.FileFormat{Format: pipeline.FLAC, RateHz: 44101, Channels: 1, Bits: 24}, p), pipeline.House, "44101"},
		{"a file of three channels", fileOf(pipeline.FileFormat{Format: pipeline.WAV, RateHz: rate, Channels: 3, Bits: 24}, p), pipeline.Bug, "3 channels"},
		{"another version of the encoder", encoder, pipeline.Infra, "lame 0.1"},
		{"a source that did not come along", weighOf(missing), pipeline.Infra, ""},
		{"a step nobody knows", pipeline.NewRecipe("polish"), pipeline.Bug, "polish"},
	} {
		if c.recipe.File != nil && c.recipe.File.Format.Format == pipeline.MP3 {
			if !withMP3(t) {
				continue // that is said first
			}
		}
		intake := pipeline.NewRecipe(pipeline.StepIntake)
		intake.Intake = &pipeline.IntakeRecipe{Source: source}
		os.RemoveAll(filepath.Join(f.dir, outFolder))
		commits, err := Do(context.Background(), f.dir, f.job(intake, c.recipe, checkOf(p)), nil)
		if err == nil || pipeline.KindOf(err) != c.kind || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v (%s), want %s with %q", c.name, err, pipeline.KindOf(err), c.kind, c.want)
		}
		left, _ := filepath.Glob(filepath.Join(f.dir, outFolder, "*"))
		if len(commits) != 1 || len(left) != 1 || left[0] != CommitPath(f.dir, intake.Key()) {
			t.Errorf("%s: %d commits, on disk %v; want the one before it", c.name, len(commits), left)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	_, err := Do(ctx, f.dir, f.job(weighOf(p), fileOf(flac24, p)), func(_ pipeline.Digest, step pipeline.Step, part float64) {
		if step == pipeline.StepFile && part > 0.5 {
			cancel()
		}
	})
	if !errors.Is(err, context.Canceled) || pipeline.KindOf(err) == pipeline.Source {
		t.Errorf("cancelled: %v", err)
	}
}

// Intake tells what a source is.
func TestIntake(t *testing.T) {
	f := newJobFolder(t)
	x := dsptest.Noise(1, 48001)
	r := pipeline.NewRecipe(pipeline.StepIntake)
	r.Intake = &pipeline.IntakeRecipe{Source: f.wav("a.wav", 48000, 32, x, x)}
	got := record[pipeline.IntakeRecord](t, f.do(r)[0])
	if want := (pipeline.IntakeRecord{Format: pipeline.WAV, RateHz: 48000, Channels: 2, Bits: 32, Float: true, Frames: 48001}); !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
}

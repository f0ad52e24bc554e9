package render

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/dsp/kernel"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/codec"
)

// room is the sound of a booth with nobody in it: rumble and hiss, about
// -67 dBFS. The same seed gives the same bits everywhere.
func room(seed uint64, n int) []float64 {
	x, rumble := dsptest.Noise(seed, n), 0.0
	for i, v := range x {
		rumble = float64(0.99*rumble) + float64(0.0001*v)
		x[i] = float64(0.0004*v) + rumble
	}
	return x
}

// narration is speech with room before, under and after it.
func narration(seed uint64, rateHz int, leadS, speechS, trailS float64) []float64 {
	lead, speech, trail := int(leadS*float64(rateHz)), int(speechS*float64(rateHz)), int(trailS*float64(rateHz))
	x := room(seed, lead+speech+trail)
	for i, v := range dsptest.Speechlike(seed, speech, float64(rateHz)) {
		x[lead+i] += v
	}
	return x
}

func scaled(x []float64, db float64) []float64 {
	out, gain := make([]float64, len(x)), kernel.FromDB(db)
	for i, v := range x {
		out[i] = v * gain
	}
	return out
}

// jobFolder is a job's folder under test.
type jobFolder struct {
	t     testing.TB
	dir   string
	names map[pipeline.Digest]string
}

func newJobFolder(t testing.TB) *jobFolder {
	t.Helper()
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, inFolder), 0o755); err != nil {
		t.Fatal(err)
	}
	return &jobFolder{t, dir, map[pipeline.Digest]string{}}
}

// put lays bytes among the inputs.
func (f *jobFolder) put(name string, b []byte) pipeline.Digest {
	f.t.Helper()
	d := pipeline.DigestOf(b)
	if err := os.WriteFile(InputPath(f.dir, d), b, 0o644); err != nil {
		f.t.Fatal(err)
	}
	f.names[d] = name
	return d
}

// wav lays a WAV among the inputs: 16 or 24 bits, or 32 for float.
func (f *jobFolder) wav(name string, rateHz, bits int, ch ...[]float64) pipeline.Digest {
	f.t.Helper()
	path := filepath.Join(f.t.TempDir(), "source.wav")
	w, err := codec.CreateWAV(path, rateHz, len(ch), bits, bits == 32)
	if err == nil {
		err = w.Write(ch)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		f.t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		f.t.Fatal(err)
	}
	return f.put(name, b)
}

func (f *jobFolder) job(recipes ...pipeline.Recipe) pipeline.Job {
	return pipeline.Job{Recipes: recipes, Names: f.names}
}

// do makes recipes and wants no error.
func (f *jobFolder) do(recipes ...pipeline.Recipe) []pipeline.Commit {
	f.t.Helper()
	commits, err := Do(context.Background(), f.dir, f.job(recipes...), nil)
	if err != nil {
		f.t.Fatal(err)
	}
	return commits
}

// record decodes a commit's record and wants no fault.
func record[R any](t testing.TB, c pipeline.Commit) R {
	t.Helper()
	var r R
	if c.Fault != "" {
		t.Fatalf("%s has the fault %q", c.Step, c.Fault)
	}
	if err := c.Decode(&r); err != nil {
		t.Fatal(err)
	}
	return r
}

// samples are the frames of the file that a commit left, by channel.
func (f *jobFolder) samples(c pipeline.Commit) [][]float64 {
	f.t.Helper()
	if len(c.Files) == 0 || c.Files[0].Role != "audio" {
		f.t.Fatalf("files %v, want audio first (fault %q)", c.Files, c.Fault)
	}
	r, err := codec.Open(OutputPath(f.dir, c.Files[0].Blob))
	if err != nil {
		f.t.Fatal(err)
	}
	defer r.Close()
	ch := make([][]float64, r.Info().Channels)
	for i := range ch {
		ch[i] = make([]float64, r.Info().Frames)
	}
	n, err := r.Read(ch)
	if err != nil || dsp.Frames(n) != r.Info().Frames {
		f.t.Fatalf("%d of %d frames read: %v", n, r.Info().Frames, err)
	}
	return ch
}

func profileOf(source pipeline.Digest, frames, rateHz int) pipeline.Recipe {
	r := pipeline.NewRecipe(pipeline.StepProfile)
	r.Profile = &pipeline.ProfileRecipe{Source: source, Span: pipeline.Span{To: dsp.Frames(frames)}, RateHz: rateHz}
	return r
}

func weighOf(p pipeline.FilePart) pipeline.Recipe {
	r := pipeline.NewRecipe(pipeline.StepWeigh)
	r.Weigh = &pipeline.WeighRecipe{Cut: p.Cut, FitDB: p.FitDB, Facts: p.Facts, Chain: p.Chain}
	return r
}

func checkOf(parts ...pipeline.FilePart) pipeline.Recipe {
	r := pipeline.NewRecipe(pipeline.StepCheck)
	r.Check = &pipeline.CheckRecipe{}
	for _, p := range parts {
		r.Check.Parts = append(r.Check.Parts, pipeline.CheckPart{Cut: p.Cut})
	}
	return r
}

// fileOf is a file of parts: ceiling -3 dBTP, head 0.75 s, tail 3 s.
func fileOf(format pipeline.FileFormat, parts ...pipeline.FilePart) pipeline.Recipe {
	r := pipeline.NewRecipe(pipeline.StepFile)
	r.File = &pipeline.FileRecipe{
		Parts: parts, HeadS: 0.75, TailS: 3, Peak: pipeline.Peak{MaxDBTP: -3}, Role: pipeline.RoleChapter, Format: format,
	}
	if format.Format == pipeline.MP3 {
		if lame, err := codec.FindLame(); err == nil {
			r.File.Encoder = lame.Version
		}
	}
	return r
}

var (
	flac24 = pipeline.FileFormat{Format: pipeline.FLAC, RateHz: 44100, Channels: 1, Bits: 24}
	flac16 = pipeline.FileFormat{Format: pipeline.FLAC, RateHz: 44100, Channels: 1, Bits: 16}
	wav24  = pipeline.FileFormat{Format: pipeline.WAV, RateHz: 44100, Channels: 1, Bits: 24}
	mp3    = pipeline.FileFormat{Format: pipeline.MP3, RateHz: 44100, Channels: 1, Mode: "cbr", Kbps: 192}
)

// asked is a cut as a chain's recipe has it, its marks among the inputs.
func (f *jobFolder) asked(cut pipeline.Cut, stages []pipeline.Resolved) pipeline.Cut {
	f.t.Helper()
	marks, err := os.ReadFile(OutputPath(f.dir, cut.Marks))
	if err == nil {
		err = os.WriteFile(InputPath(f.dir, cut.Marks), marks, 0o644)
	}
	if err != nil {
		f.t.Fatal(err)
	}
	return cut.Asked(chain.NeedsMarks(stages))
}

// part profiles a source and fits it to a chain's reference of -23 dBFS, or
// gives it no chain and no gain where stages is nil.
func (f *jobFolder) part(source pipeline.Digest, frames, rateHz int, stages []pipeline.Resolved) (pipeline.FilePart, pipeline.ProfileRecord) {
	f.t.Helper()
	profile := record[pipeline.ProfileRecord](f.t, f.do(profileOf(source, frames, rateHz))[0])
	var reference *dsp.DBFS
	if stages != nil {
		at := dsp.DBFS(-23)
		reference = &at
	}
	fit := pipeline.Fit([]pipeline.ProfileRecord{profile}, reference, 0, nil, nil)
	return pipeline.FilePart{Cut: f.asked(profile.Cut, stages), FitDB: fit.GainDB, Facts: fit.Facts, Chain: append([]pipeline.Resolved{}, stages...)}, profile
}

func stage(name string, rev int, params string) pipeline.Resolved {
	return pipeline.Resolved{Stage: name, Rev: rev, Params: json.RawMessage(params)}
}

// need skips a test without a program, and fails it where everything is asked for.
func need(t testing.TB, program string) {
	t.Helper()
	if _, err := exec.LookPath(program); err != nil {
		if os.Getenv("CHAPTERHOUSE_REQUIRE") == "all" {
			t.Fatalf("%s is not installed, and CHAPTERHOUSE_REQUIRE=all asks for it", program)
		}
		t.Skipf("%s is not installed", program)
	}
}

func rms(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += float64(v * v)
	}
	return 10 * math.Log10(sum/float64(len(x)))
}

// stuck is the longest run of one sample value.
func stuck(x []float64) (at, n int) {
	run := 1
	for i := 1; i < len(x); i++ {
		if x[i] != x[i-1] {
			run = 0
		}
		if run++; run > n {
			at, n = i+1-run, run
		}
	}
	return at, n
}

// file lays a file of the test data among the inputs.
func (f *jobFolder) file(path string) pipeline.Digest {
	f.t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		f.t.Fatal(err)
	}
	return f.put(filepath.Base(path), b)
}

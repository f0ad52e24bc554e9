// Package compare says what became of one run of a title in another: levels,
// gains, spectra, findings, what each stage did, and how far two files differ
// once their gain is matched. It judges nothing and decodes no audio.
package compare

import (
	"context"
	"fmt"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/series"
)

// A Run is a finished run with what it was submitted with.
type Run struct {
	pipeline.Outcome
	Submission pipeline.Submission
}

// Listen is what a comparison asks of the files themselves.
type Listen struct {
	// Series reads the pictures of a delivered file.
	Series func(ctx context.Context, blob pipeline.Digest) (series.File, error)
	// Residual tells how two files differ; nil: it is not asked for.
	Residual func(ctx context.Context, was, is pipeline.FileOutcome, late float64) (Residual, error)
}

// Comparison is what became of one run in another.
type Comparison struct {
	Title    string    `json:"title"`
	Slug     string    `json:"slug"`
	Was      string    `json:"was"` // runs
	Is       string    `json:"is"`
	Chains   []Chain   `json:"chains"` // those that changed
	Chapters []Chapter `json:"chapters"`
}

// Chain is a narrator's chain that changed.
type Chain struct {
	Narrator string          `json:"narrator"`
	Setup    string          `json:"setup"`
	Chain    string          `json:"chain"`
	Was      pipeline.Digest `json:"was,omitempty"`
	Is       pipeline.Digest `json:"is,omitempty"`
	Changes  []string        `json:"changes"`
}

// Chapter is what became of one chapter.
type Chapter struct {
	Number    int                 `json:"number"`
	Name      string              `json:"name"`
	Identical bool                `json:"identical"`      // every file has the digest it had, and every finding stands
	Only      string              `json:"only,omitempty"` // the run that alone has it
	Holes     [2]string           `json:"holes,omitzero"` // why it had, has no file
	Won       []pipeline.Finding  `json:"won,omitempty"`  // findings that were not there
	Lost      []pipeline.Finding  `json:"lost,omitempty"` // findings that are there no more
	Verdicts  [2]pipeline.Verdict `json:"verdicts"`       // was, is
	Files     []File              `json:"files,omitempty"`
}

// File is what became of one spec's file of a chapter.
type File struct {
	Spec      string          `json:"spec"`
	Format    pipeline.Format `json:"format"`
	Identical bool            `json:"identical"` // the same digest: nothing below is set
	GainDB    dsp.DB          `json:"gain_db"`   // how much more gain from the chain's end to the file
	RMS       Pair            `json:"rms_dbfs"`
	Loudness  Pair            `json:"integrated_lufs"`
	TruePeak  Pair            `json:"true_peak_dbtp"`
	Floor     Pair            `json:"floor_dbfs"`
	Spectrum  []BandChange    `json:"spectrum,omitempty"` // every sixth octave, beside the level's own change
	Stages    []StageChange   `json:"stages,omitempty"`   // the limiter's too
	Residual  *Residual       `json:"residual,omitempty"`
	Note      string          `json:"note,omitempty"` // what could not be compared, and why
}

// Pair is a figure that was and is.
type Pair struct {
	Was dsp.DB `json:"was"`
	Is  dsp.DB `json:"is"`
}

// StageChange is what a stage did; a stage that was or is not there has zeros.
type StageChange struct {
	Stage string            `json:"stage"`
	Was   pipeline.StageUse `json:"was"`
	Is    pipeline.StageUse `json:"is"`
}

// Residual is what is left of one file when the other, at the gain that leaves
// least, is taken from it.
type Residual struct {
	GainDB dsp.DB `json:"gain_db"` // from the file that was to the one that is
	LeftDB dsp.DB `json:"left_db"` // under the file that is; −Inf: nothing
}

// Runs compares two runs of one title.
func Runs(ctx context.Context, was, is Run, l Listen) (Comparison, error) {
	c := Comparison{Title: is.Title, Slug: is.Slug, Was: was.Run, Is: is.Run, Chains: chains(was, is), Chapters: []Chapter{}}
	for i := range is.Chapters {
		old := find(was.Chapters, is.Chapters[i])
		if old == nil {
			c.Chapters = append(c.Chapters, alone(is.Chapters[i], is.Run))
			continue
		}
		ch, err := chapter(ctx, *old, is.Chapters[i], l)
		if err != nil {
			return c, err
		}
		c.Chapters = append(c.Chapters, ch)
	}
	for _, old := range was.Chapters {
		if find(is.Chapters, old) == nil {
			c.Chapters = append(c.Chapters, alone(old, was.Run))
		}
	}
	return c, nil
}

// find is the chapter of one run that is a chapter of the other: by number and role.
func find(all []pipeline.ChapterOutcome, ch pipeline.ChapterOutcome) *pipeline.ChapterOutcome {
	i := slices.IndexFunc(all, func(o pipeline.ChapterOutcome) bool { return o.Number == ch.Number && o.Role == ch.Role })
	if i < 0 {
		return nil
	}
	return &all[i]
}

func alone(ch pipeline.ChapterOutcome, run string) Chapter {
	return Chapter{Number: ch.Number, Name: ch.Name, Only: run}
}

func chapter(ctx context.Context, was, is pipeline.ChapterOutcome, l Listen) (Chapter, error) {
	c := Chapter{
		Number: is.Number, Name: is.Name, Holes: [2]string{was.Hole, is.Hole}, Verdicts: [2]pipeline.Verdict{was.Verdict, is.Verdict},
		Won: without(is.Findings, was.Findings), Lost: without(was.Findings, is.Findings),
	}
	c.Identical = len(c.Won)+len(c.Lost) == 0 && was.Hole == is.Hole && was.Verdict == is.Verdict && len(was.Files) == len(is.Files)
	for _, f := range is.Files {
		i := slices.IndexFunc(was.Files, func(o pipeline.FileOutcome) bool { return o.Spec == f.Spec && o.Format.Format == f.Format.Format })
		if i < 0 {
			c.Files = append(c.Files, File{Spec: f.Spec, Format: f.Format.Format, Note: "the other run made none"})
			c.Identical = false
			continue
		}
		one, err := file(ctx, was.Files[i], f, l)
		if err != nil {
			return c, fmt.Errorf("chapter %d, %s, %s: %w", is.Number, is.Name, f.Spec, err)
		}
		c.Identical = c.Identical && one.Identical
		c.Files = append(c.Files, one)
	}
	return c, nil
}

// without is the findings of a list that another has not.
func without(all, others []pipeline.Finding) (out []pipeline.Finding) {
	for _, f := range all {
		if !slices.ContainsFunc(others, func(o pipeline.Finding) bool { return f.Same(o) && f.Do == o.Do }) {
			out = append(out, f)
		}
	}
	return out
}

func file(ctx context.Context, was, is pipeline.FileOutcome, l Listen) (File, error) {
	f := File{Spec: is.Spec, Format: is.Format.Format, Identical: was.Blob == is.Blob}
	if f.Identical {
		return f, nil
	}
	a, b := was.Record, is.Record
	f.GainDB = round(gain(is) - gain(was))
	f.RMS = pair(a.Levels.RMS, b.Levels.RMS)
	f.Loudness = pair(a.Levels.Integrated, b.Levels.Integrated)
	f.TruePeak = pair(a.Levels.TruePeak, b.Levels.TruePeak)
	f.Floor = pair(a.Floor.Median, b.Floor.Median)
	f.Stages = stages(a, b)
	if was.Series == "" || is.Series == "" {
		f.Note = "one of the runs kept no pictures of it: its spectrum and residual can't be told"
		return f, nil
	}
	old, err := l.Series(ctx, was.Series)
	if err != nil {
		return f, err
	}
	now, err := l.Series(ctx, is.Series)
	if err != nil {
		return f, err
	}
	f.Spectrum = Spectra(old.Spectrum, now.Spectrum)
	late, why := lateness(old, now)
	switch {
	case l.Residual == nil:
	case why != "":
		f.Note = why
	case was.Format.RateHz != is.Format.RateHz || was.Format.Channels != is.Format.Channels:
		f.Note = "the formats differ: what is left between the files can't be told"
	default:
		left, err := l.Residual(ctx, was, is, late)
		if err != nil {
			return f, err
		}
		f.Residual = &left
	}
	return f, nil
}

// lateness is how much later a file begins its first body, seconds, or why the
// two can't be laid over each other.
func lateness(was, is series.File) (s float64, why string) {
	if len(was.Bodies) == 0 || len(was.Bodies) != len(is.Bodies) {
		return 0, "the parts differ: what is left between the files can't be told"
	}
	starts := func(b series.Body) float64 { return b.FileS - b.SourceS }
	s = starts(is.Bodies[0]) - starts(was.Bodies[0])
	for i := range is.Bodies {
		a, b := was.Bodies[i], is.Bodies[i]
		if d := starts(b) - starts(a) - s; a.Source != b.Source || d > 0.015 || d < -0.015 {
			return 0, "the parts stand otherwise: what is left between the files can't be told"
		}
	}
	return dsp.Round2(s), ""
}

// gain is what a file got after its chain, of its first part.
func gain(f pipeline.FileOutcome) dsp.DB {
	g := f.TrimDB
	if len(f.GainDB) > 0 {
		g += f.GainDB[0]
	}
	return g
}

func pair[L ~float64](was, is L) Pair { return Pair{dsp.DB(was), dsp.DB(is)} }

func round(db dsp.DB) dsp.DB { return dsp.DB(dsp.Round2(float64(db))) }

// stages pairs what the stages did by name, the limiter last.
func stages(was, is pipeline.FileRecord) (out []StageChange) {
	of := func(r pipeline.FileRecord) []pipeline.StageUse {
		l := r.Limiter
		l.Stage = "limiter"
		return append(slices.Clone(r.Stages), l)
	}
	old := of(was)
	for _, s := range of(is) {
		change := StageChange{Stage: s.Stage, Is: s}
		if i := slices.IndexFunc(old, func(o pipeline.StageUse) bool { return o.Stage == s.Stage }); i >= 0 {
			change.Was = old[i]
			old = slices.Delete(old, i, i+1)
		}
		if change.Was != change.Is {
			out = append(out, change)
		}
	}
	for _, s := range old {
		out = append(out, StageChange{Stage: s.Stage, Was: s})
	}
	return out
}

// chains are those in force for the runs' sessions that changed.
func chains(was, is Run) []Chain {
	out := []Chain{}
	seen := map[string]bool{}
	for _, s := range slices.Concat(is.Sessions, was.Sessions) {
		voice := s.Narrator + "/" + s.Setup
		if seen[voice] {
			continue
		}
		seen[voice] = true
		a, b := was.Submission.Chain(s.Narrator, s.Setup), is.Submission.Chain(s.Narrator, s.Setup)
		c := Chain{Narrator: s.Narrator, Setup: s.Setup}
		switch {
		case a == nil && b == nil:
			continue
		case a == nil:
			c.Chain, c.Is, c.Changes = b.Chain, b.Digest(), []string{"there was none"}
		case b == nil:
			c.Chain, c.Was, c.Changes = a.Chain, a.Digest(), []string{"there is none any more"}
		case a.Digest() == b.Digest():
			continue
		default:
			c.Chain, c.Was, c.Is, c.Changes = b.Chain, a.Digest(), b.Digest(), chain.Diff(*a, *b)
		}
		out = append(out, c)
	}
	return out
}

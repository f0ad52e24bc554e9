package coordinator

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/split"
	"chapterhouse/pipeline/store"
)

// plan opens every source and pins what the run depends on beside its
// submission. ok is false while a source is still to be opened.
func (p *pass) plan(ctx context.Context) (plan pipeline.Plan, ok bool, err error) {
	if plan, err = pinned[pipeline.Plan](ctx, p, "plan"); !errors.Is(err, store.ErrAbsent) {
		return plan, err == nil, err
	}
	opened, err := p.phase(ctx, pipeline.StepIntake, len(p.sub.Sources), func(i int) []pipeline.Recipe {
		r := pipeline.NewRecipe(pipeline.StepIntake)
		r.Intake = &pipeline.IntakeRecipe{Source: p.sub.Sources[i].Blob}
		return []pipeline.Recipe{r}
	})
	if err != nil || !ended(opened) {
		return plan, false, err
	}
	files := map[string]source{}
	var rates []int
	for i, s := range p.sub.Sources {
		f := source{blob: s.Blob, fault: opened[i][0].why}
		if opened[i][0].state == done {
			if err := decode(opened[i][0].commit, &f.is); err != nil {
				return plan, false, err
			}
			rates = append(rates, f.is.RateHz)
		}
		files[s.Path] = f
	}
	plan = p.split(files, rates)
	plan.Sources = map[pipeline.Digest]pipeline.IntakeRecord{}
	for _, f := range files {
		if f.fault == "" {
			plan.Sources[f.blob] = f.is
		}
	}
	if ok, err := p.shorten(ctx, &plan, files); err != nil || !ok {
		return plan, false, err
	}
	narrators, err := p.narrators(ctx)
	if err != nil {
		return plan, false, err
	}
	if plan.Standing, err = p.standing(ctx, narrators); err != nil {
		return plan, false, err
	}
	plan.History, plan.Tallies = map[string][]pipeline.Past{}, map[string][]pipeline.Tally{}
	for who, n := range narrators {
		if history, tallies := n.before(p.title); len(history) > 0 {
			plan.History[who], plan.Tallies[who] = history, tallies
		}
	}
	p.cost = nil // a pass that finds the plan pinned looks at none, and both close alike
	return plan, true, decide(ctx, p, "plan", &plan)
}

// source is an uploaded file as intake found it.
type source struct {
	blob  pipeline.Digest
	is    pipeline.IntakeRecord
	fault string
}

// split turns the title into chapters and parts, and says which can't be made.
func (p *pass) split(files map[string]source, rates []int) pipeline.Plan {
	plan := pipeline.Plan{RateHz: p.sub.Title.RateHz, Findings: p.sub.Title.Findings}
	if plan.RateHz == 0 {
		plan.RateHz = split.WorkRate(rates)
	}
	for _, s := range p.sub.Specs {
		if why := p.missingEncoder(s); why != "" {
			plan.Skipped = append(plan.Skipped, pipeline.SkippedSpec{Spec: s.Spec, Why: why})
			continue
		}
		plan.Specs = append(plan.Specs, s)
	}
	open := func(file string) (pipeline.Digest, int, dsp.Frames, bool) {
		f, ok := files[file]
		return f.blob, f.is.RateHz, f.is.Frames, ok && f.fault == ""
	}
	chapters := p.sub.Title.Chapters
	if book, ok := split.Lone(p.sub.Title); ok {
		f := files[book.Parts[0].File]
		if f.fault == "" && len(f.is.Cues) > 0 {
			var found []pipeline.Finding
			chapters, found = split.FromCues(book, f.is.Cues, f.is.RateHz, f.is.Frames)
			chapters = split.WithExcerpts(chapters, p.sub.Title.Chapters)
			plan.Findings = append(slices.Clone(plan.Findings), found...)
		}
	}
	for _, chapter := range chapters {
		plan.Chapters = append(plan.Chapters, p.planned(chapter, files, open))
	}
	if book, ok := split.Lone(p.sub.Title); ok && files[book.Parts[0].File].is.Sheet {
		// The whole would be one chapter, or cut elsewhere than its sheet says.
		for i := range plan.Chapters {
			if ch := &plan.Chapters[i]; ch.Number == book.Number && ch.Hole == "" {
				ch.Hole = book.Parts[0].File + ": has its chapters in a cue sheet, which is not read in FLAC: ask for a WAV with cue points, or list the chapters in title.yaml with from_s and to_s"
			}
		}
	}
	return plan
}

// planned is one chapter with its spans in frames and its chains, or a hole.
func (p *pass) planned(chapter pipeline.TitleChapter, files map[string]source, open split.Source) pipeline.PlannedChapter {
	alone := p.sub.Title
	alone.Chapters = []pipeline.TitleChapter{chapter}
	split, found := split.Plan(alone, open)
	if len(split) == 0 {
		out := pipeline.PlannedChapter{Hole: "it has no part that can be used"}
		out.Number, out.Name, out.Role = chapter.Number, chapter.Name, chapter.Role
		for _, f := range found {
			out.Hole = strings.TrimPrefix(f.Measured+": "+f.Do, ": ")
		}
		for _, part := range chapter.Parts {
			if f := files[part.File]; f.fault != "" {
				out.Hole = part.File + ": " + f.fault
			}
		}
		return out
	}
	out := pipeline.PlannedChapter{Chapter: split[0], Findings: found}
	for j := range out.Parts {
		v := &out.Parts[j].Voice
		if c := p.sub.Chain(v.Narrator, v.Setup); c != nil {
			v.Chain = c.Digest()
		}
		is := files[out.Parts[j].Path].is
		for _, n := range is.Notes {
			f := pipeline.Finding{
				Check: "source", Source: out.Parts[j].Source, Path: out.Parts[j].Path, Measured: n, Do: "nothing", Weight: pipeline.Ready,
			}
			if is.Unsure && out.Parts[j].Span.To == is.Frames { // no other chapter can lack the end
				f.Do, f.Weight = "listen whether the recording's end is there; if not, ask for the file once more", pipeline.Listen
			}
			out.Findings = append(out.Findings, f)
		}
	}
	return out
}

// missingEncoder says why a spec can't be made by the run's engine.
func (p *pass) missingEncoder(s pipeline.Spec) string {
	for _, f := range s.Sound.Files {
		if _, ok := p.sub.Engine.Encoders[f.Format]; !ok {
			return fmt.Sprintf("%s asks for %s files: install the program that writes them (Debian's package lame for mp3), then run the same command again", s.Spec, f.Format)
		}
	}
	return ""
}

// narrators reads what is known of the run's narrators.
func (p *pass) narrators(ctx context.Context) (map[string]NarratorState, error) {
	known := map[string]NarratorState{}
	for _, who := range slices.Sorted(maps.Keys(p.sub.Narrators)) {
		n, err := NarratorOf(ctx, p.c.Store, who)
		if err != nil && !errors.Is(err, store.ErrAbsent) {
			return nil, err
		}
		known[who] = n
	}
	return known, nil
}

// standing reads what the standing run had decided.
func (p *pass) standing(ctx context.Context, narrators map[string]NarratorState) (pipeline.Standing, error) {
	st := pipeline.Standing{Run: p.state.Standing, Last: map[string]pipeline.FitRecord{}}
	for who, n := range narrators {
		for setup, last := range n.Last {
			st.Last[who+"/"+setup] = last.Fit
		}
	}
	if st.Run == "" {
		return st, nil
	}
	var fits pipeline.Fits
	if err := store.ReadJSON(ctx, p.c.Store, runName(p.title, st.Run, "fits"), &fits); err != nil {
		return st, err
	}
	var gains pipeline.Gains
	if err := store.ReadJSON(ctx, p.c.Store, runName(p.title, st.Run, "gains"), &gains); err != nil {
		return st, err
	}
	st.Fits = fits.Sessions
	st.Gains = map[string]map[string]dsp.DB{}
	for spec, g := range gains.Specs {
		st.Gains[spec] = g.GainDB
	}
	return st, nil
}

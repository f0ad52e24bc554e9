package coordinator

import (
	"context"
	"errors"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/store"
)

// chapterOf is a chapter's records of one step, in the order of its parts, or
// the reason why they will not be there. Both are empty while it is late.
type chapterOf[T any] struct {
	parts []T
	keys  []pipeline.Digest
	hole  string
}

func (c chapterOf[T]) there() bool { return c.parts != nil }

// collect decodes a phase's results chapter by chapter, one for each part, and
// remembers those that are whole. A hole names the part's file.
func collect[T any](ctx context.Context, p *pass, step pipeline.Step, plan pipeline.Plan, results [][]result, holes func(int) string) ([]chapterOf[T], error) {
	out := make([]chapterOf[T], len(results))
	whole, _ := p.known.records[step].([]chapterOf[T])
	if whole == nil {
		whole = make([]chapterOf[T], len(results))
		p.known.records[step] = whole
	}
	for i, g := range results {
		if h := holes(i); h != "" {
			out[i].hole = h
			continue
		}
		for j, r := range g {
			if r.state == hole {
				out[i].hole = plan.Chapters[i].Parts[j].Path + ": " + r.why
			}
		}
		if of(g) != done || len(g) == 0 {
			continue
		}
		if whole[i].there() {
			out[i] = whole[i]
			continue
		}
		out[i].parts = make([]T, len(g))
		for j, r := range g {
			out[i].keys = append(out[i].keys, r.key)
			if err := p.decode(ctx, &g[j], &out[i].parts[j]); err != nil {
				return nil, err
			}
		}
		whole[i] = out[i]
	}
	return out, nil
}

// decode reads a result's record into v and forgets its text, which is most of
// what a title takes in memory. Who asks again, as another part of the same
// span does, or another run, has it read again.
func (p *pass) decode(ctx context.Context, r *result, v any) error {
	commit := r.commit
	if commit.Record == nil {
		if err := store.ReadJSON(ctx, p.c.Store, commitName(r.key), &commit); err != nil {
			return err
		}
	}
	if err := decode(commit, v); err != nil {
		return err
	}
	r.commit.Record = nil
	p.known.commits[r.key] = r.commit
	return nil
}

// profiles measures every part, and tells whether fits can be made of what is there.
func (p *pass) profiles(ctx context.Context, plan pipeline.Plan) (records []chapterOf[pipeline.ProfileRecord], enough bool, err error) {
	results, err := p.phase(ctx, pipeline.StepProfile, len(plan.Chapters), func(i int) (all []pipeline.Recipe) {
		if plan.Chapters[i].Hole != "" {
			return nil
		}
		for _, part := range plan.Chapters[i].Parts {
			r := pipeline.NewRecipe(pipeline.StepProfile)
			r.Profile = &pipeline.ProfileRecipe{Source: part.Source, Span: part.Span, RateHz: plan.RateHz, Asset: plan.Chapters[i].Role == pipeline.RoleAsset}
			all = append(all, r)
		}
		return all
	})
	if err != nil {
		return nil, false, err
	}
	p.chapters(plan)
	records, err = collect[pipeline.ProfileRecord](ctx, p, pipeline.StepProfile, plan, results, func(i int) string { return plan.Chapters[i].Hole })
	return records, settled(results), err
}

// fits finds the sessions and pins one fit for each. ok is false while
// neither fits nor enough profiles are there.
func (p *pass) fits(ctx context.Context, plan pipeline.Plan, profiles []chapterOf[pipeline.ProfileRecord], enough bool) (fits pipeline.Fits, ok bool, err error) {
	if fits, err = pinned[pipeline.Fits](ctx, p, "fits"); !errors.Is(err, store.ErrAbsent) {
		return fits, err == nil, err
	}
	if !enough {
		return fits, false, nil
	}
	var (
		parts   []pipeline.Part
		ids     []string
		records []pipeline.ProfileRecord
		keys    []pipeline.Digest
	)
	for i, ch := range profiles {
		if plan.Chapters[i].Role == pipeline.RoleAsset {
			continue // no session's
		}
		for j := range ch.parts {
			if _, _, ok := excerptOf(plan, profiles, i, j); ok {
				continue // its session has heard it
			}
			parts = append(parts, plan.Chapters[i].Parts[j])
			ids = append(ids, pipeline.PartID(i, j))
			records = append(records, ch.parts[j])
			keys = append(keys, ch.keys[j])
		}
	}
	fits = pipeline.Fits{Sessions: map[string]pipeline.FitRecord{}, Names: map[string]string{}}
	names := pipeline.FindSessions(parts, records)
	for i, part := range parts {
		fits.Names[ids[i]] = names[i]
		id := pipeline.SessionID(part.Voice.Narrator, part.Voice.Setup, names[i])
		if _, known := fits.Sessions[id]; known {
			continue
		}
		var (
			own  []pipeline.ProfileRecord
			from []pipeline.Digest
		)
		for k, other := range parts {
			if pipeline.SessionID(other.Voice.Narrator, other.Voice.Setup, names[k]) == id {
				own, from = append(own, records[k]), append(from, keys[k])
			}
		}
		r := pipeline.NewRecipe(pipeline.StepFit)
		r.Fit = &pipeline.FitRecipe{Profiles: from, Reference: p.reference(part.Voice), MinSpeechS: p.sub.Settings.Fit.MinSpeechS}
		fit, err := pure(ctx, p, r, func() pipeline.FitRecord {
			return pipeline.Fit(own, r.Fit.Reference, r.Fit.MinSpeechS, lookup(plan.Standing.Fits, id), lookup(plan.Standing.Last, part.Voice.Narrator+"/"+part.Voice.Setup))
		})
		if err != nil {
			return fits, false, err
		}
		fits.Sessions[id] = fit
	}
	for i, ch := range profiles {
		for j := range ch.parts {
			if a, b, ok := excerptOf(plan, profiles, i, j); ok {
				fits.Names[pipeline.PartID(i, j)] = fits.Names[pipeline.PartID(a, b)]
			}
		}
	}
	err = decide(ctx, p, "fits", &fits)
	return fits, err == nil, err
}

// excerptOf is the part that an excerpt's part is taken from: it sounds as that
// one does, and counts for nothing besides. ok is false for what is no excerpt,
// or of a recording or a session that nothing else is of.
func excerptOf(plan pipeline.Plan, profiles []chapterOf[pipeline.ProfileRecord], i, j int) (chapter, part int, ok bool) {
	if plan.Chapters[i].Role != pipeline.RoleExcerpt {
		return 0, 0, false
	}
	one := plan.Chapters[i].Parts[j]
	for a, ch := range plan.Chapters {
		if ch.Role == pipeline.RoleExcerpt || ch.Role == pipeline.RoleAsset || !profiles[a].there() {
			continue
		}
		for b, other := range ch.Parts {
			voice := other.Voice
			if one.Voice.Session == "" {
				voice.Session = ""
			}
			if other.Source == one.Source && voice == one.Voice && other.Span.From < one.Span.To && one.Span.From < other.Span.To {
				return a, b, true
			}
		}
	}
	return 0, 0, false
}

// reference is the level a voice's chain counts on; nil without a chain.
func (p *pass) reference(v pipeline.Voice) *dsp.DBFS {
	if c := p.sub.Chain(v.Narrator, v.Setup); c != nil {
		return &c.SpeechDBFS
	}
	return nil
}

func (p *pass) stages(v pipeline.Voice) []pipeline.Resolved {
	if c := p.sub.Chain(v.Narrator, v.Setup); c != nil {
		return c.Stages
	}
	return []pipeline.Resolved{}
}

func lookup(m map[string]pipeline.FitRecord, id string) *pipeline.FitRecord {
	if f, ok := m[id]; ok {
		return &f
	}
	return nil
}

// fitOf is a part's session and fit. A part that came after the pinning takes
// its named session's fit, else the first session's of its narrator and setup,
// else one of its own.
func (p *pass) fitOf(plan pipeline.Plan, fits pipeline.Fits, i, j int, profile pipeline.ProfileRecord) (session string, fit pipeline.FitRecord) {
	v := plan.Chapters[i].Parts[j].Voice
	session, known := fits.Names[pipeline.PartID(i, j)]
	if !known {
		if session = v.Session; session == "" {
			session = "found-1"
		}
	}
	fit, ok := fits.Sessions[pipeline.SessionID(v.Narrator, v.Setup, session)]
	if !ok {
		fit = pipeline.Fit([]pipeline.ProfileRecord{profile}, p.reference(v), 0, nil, nil)
	}
	return session, fit
}

// weighs runs every part through its chain and measures it, and tells whether
// gains can be made of what is there.
func (p *pass) weighs(ctx context.Context, plan pipeline.Plan, profiles []chapterOf[pipeline.ProfileRecord], fits pipeline.Fits) (records []chapterOf[pipeline.WeighRecord], enough bool, err error) {
	results, err := p.phase(ctx, pipeline.StepWeigh, len(plan.Chapters), func(i int) (all []pipeline.Recipe) {
		if plan.Chapters[i].Role == pipeline.RoleAsset {
			return nil // as it is profiled, so it is levelled
		}
		for j, profile := range profiles[i].parts {
			_, fit := p.fitOf(plan, fits, i, j, profile)
			r := pipeline.NewRecipe(pipeline.StepWeigh)
			stages := p.stages(plan.Chapters[i].Parts[j].Voice)
			r.Weigh = &pipeline.WeighRecipe{
				Cut: profile.Cut.Asked(chain.NeedsMarks(stages)), FitDB: fit.GainDB, Facts: fit.Facts, Chain: stages,
			}
			all = append(all, r)
		}
		return all
	})
	if err != nil {
		return nil, false, err
	}
	p.chapters(plan)
	records, err = collect[pipeline.WeighRecord](ctx, p, pipeline.StepWeigh, plan, results, func(i int) string { return profiles[i].hole })
	return records, settled(results), err
}

// gains finds one gain per narrator and spec and pins them. ok is false while
// neither gains nor enough weighs are there.
func (p *pass) gains(ctx context.Context, plan pipeline.Plan, profiles []chapterOf[pipeline.ProfileRecord], weighs []chapterOf[pipeline.WeighRecord], enough bool) (gains pipeline.Gains, ok bool, err error) {
	if gains, err = pinned[pipeline.Gains](ctx, p, "gains"); !errors.Is(err, store.ErrAbsent) {
		return gains, err == nil, err
	}
	if !enough {
		return gains, false, nil
	}
	gains.Specs = map[string]pipeline.LevelRecord{}
	var chapters []pipeline.LevelChapter
	var parts [][]pipeline.LeveledPart
	for i, ch := range weighs {
		if !ch.there() || plan.Chapters[i].Role == pipeline.RoleExcerpt {
			continue // an excerpt is heard in its chapter already
		}
		one := pipeline.LevelChapter{Weighs: ch.keys}
		for _, part := range plan.Chapters[i].Parts {
			one.Narrators = append(one.Narrators, part.Voice.Narrator)
		}
		chapters = append(chapters, one)
		parts = append(parts, leveled(plan, i, profiles[i].parts, ch.parts))
	}
	for _, s := range plan.Specs {
		r := pipeline.NewRecipe(pipeline.StepLevel)
		r.Level = &pipeline.LevelRecipe{Chapters: chapters, Level: s.Sound.Level, Edges: s.Sound.Edges, PoolMinS: p.sub.Settings.Level.PoolMinS}
		rec, err := pure(ctx, p, r, func() pipeline.LevelRecord {
			return pipeline.LevelGains(parts, s.Sound.Level, s.Sound.Edges, r.Level.PoolMinS, plan.Standing.Gains[s.Spec])
		})
		if err != nil {
			return gains, false, err
		}
		gains.Specs[s.Spec] = rec
	}
	err = decide(ctx, p, "gains", &gains)
	return gains, err == nil, err
}

func leveled(plan pipeline.Plan, chapter int, profiles []pipeline.ProfileRecord, weighs []pipeline.WeighRecord) []pipeline.LeveledPart {
	out := make([]pipeline.LeveledPart, len(weighs))
	for j := range weighs {
		out[j] = pipeline.LeveledPart{
			Narrator: plan.Chapters[chapter].Parts[j].Voice.Narrator,
			RateHz:   profiles[j].Cut.RateHz,
			Weigh:    weighs[j],
		}
	}
	return out
}

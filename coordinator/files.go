package coordinator

import (
	"context"
	"maps"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
)

// made is a chapter's finished results: one file per spec and format, and
// what listening to the sources found.
type made struct {
	files []madeFile
	check pipeline.CheckRecord
	hole  string
}

type madeFile struct {
	spec   pipeline.Spec
	recipe pipeline.FileRecipe
	commit pipeline.Commit
	record pipeline.FileRecord
}

// files renders and checks every chapter. ok: every chapter is made, or never will be.
func (p *pass) files(ctx context.Context, plan pipeline.Plan, profiles []chapterOf[pipeline.ProfileRecord], fits pipeline.Fits, weighs []chapterOf[pipeline.WeighRecord], gains pipeline.Gains) ([]made, bool, error) {
	asset := func(i int) bool { return plan.Chapters[i].Role == pipeline.RoleAsset }
	waiting := false // for a late chapter: an earlier step still works on it
	for i, ch := range weighs {
		waiting = waiting || ch.hole == "" && !ch.there() && !(asset(i) && profiles[i].there())
	}
	recipes := func(i int) (all []pipeline.Recipe) {
		if asset(i) {
			return assetRecipes(plan, i, profiles[i].parts, p.sub.Engine)
		}
		if !weighs[i].there() {
			return nil
		}
		for _, s := range plan.Specs {
			for _, f := range s.Sound.Files {
				r := pipeline.NewRecipe(pipeline.StepFile)
				r.File = p.fileRecipe(plan, i, profiles[i].parts, fits, weighs[i].parts, gains, s, f)
				all = append(all, r)
			}
		}
		r := pipeline.NewRecipe(pipeline.StepCheck)
		r.Check = &pipeline.CheckRecipe{}
		for _, profile := range profiles[i].parts {
			r.Check.Parts = append(r.Check.Parts, pipeline.CheckPart{Cut: profile.Cut, Speech: profile.Levels.Speech, Floor: profile.Floor, RoomTone: profile.RoomTone})
		}
		return append(all, r)
	}
	results, err := p.phase(ctx, pipeline.StepFile, len(plan.Chapters), recipes)
	if err != nil {
		return nil, false, err
	}
	p.chapters(plan)
	if waiting || !ended(results) {
		return nil, false, nil
	}
	out := make([]made, len(plan.Chapters))
	for i, g := range results {
		out[i].hole = weighs[i].hole
		if of(g) == hole {
			for _, r := range g {
				if r.state == hole {
					out[i].hole = r.why
				}
			}
			continue
		}
		if err := out[i].decode(g, recipes(i), plan.Specs); err != nil {
			return nil, false, err
		}
	}
	return out, true, nil
}

// decode takes a chapter's group apart: a file for each spec and format, and the check.
func (m *made) decode(g []result, recipes []pipeline.Recipe, specs []pipeline.Spec) error {
	if len(g) == 0 {
		return nil
	}
	n := 0
	for _, s := range specs {
		for range s.Sound.Files {
			f := madeFile{spec: s, recipe: *recipes[n].File, commit: g[n].commit}
			if err := decode(f.commit, &f.record); err != nil {
				return err
			}
			m.files = append(m.files, f)
			n++
		}
	}
	if n == len(g) {
		return nil // an asset: nothing to listen to
	}
	return decode(g[n].commit, &m.check)
}

// assetRecipes are the files of an asset: its own channels, at the spec's level.
func assetRecipes(plan pipeline.Plan, i int, profiles []pipeline.ProfileRecord, engine pipeline.Engine) (all []pipeline.Recipe) {
	for _, profile := range profiles {
		for _, s := range plan.Specs {
			for _, f := range s.Sound.Files {
				f.Channels = max(f.Channels, profile.Channels)
				r := pipeline.NewRecipe(pipeline.StepFile)
				r.File = &pipeline.FileRecipe{
					Parts:  []pipeline.FilePart{{Cut: profile.Cut, Chain: []pipeline.Resolved{}}},
					TrimDB: pipeline.GainTo(s.Sound.Level, profile.Levels),
					Peak:   s.Sound.Peak, Level: s.Sound.Level, Role: pipeline.RoleAsset, Format: f, Encoder: engine.Encoders[f.Format],
				}
				all = append(all, r)
			}
		}
	}
	return all
}

// fileRecipe is all that was decided for one file of a chapter.
func (p *pass) fileRecipe(plan pipeline.Plan, i int, profiles []pipeline.ProfileRecord, fits pipeline.Fits, weighs []pipeline.WeighRecord, gains pipeline.Gains, s pipeline.Spec, f pipeline.FileFormat) *pipeline.FileRecipe {
	ch := plan.Chapters[i]
	narrators := gains.Specs[s.Spec].GainDB
	parts := leveled(plan, i, profiles, weighs)
	// A chapter that came after the gains were pinned may be a narrator's
	// first: that narrator's parts are levelled by themselves.
	for _, part := range parts {
		if _, ok := narrators[part.Narrator]; !ok {
			own := pipeline.LevelGains([][]pipeline.LeveledPart{parts}, s.Sound.Level, s.Sound.Edges, 0, nil).GainDB
			maps.Copy(own, narrators)
			narrators = own
			break
		}
	}
	r := &pipeline.FileRecipe{
		TrimDB: pipeline.Trim(parts, narrators, s.Sound.Level, s.Sound.Edges),
		HeadS:  s.Sound.Edges.HeadAimS, TailS: s.Sound.Edges.TailAimS,
		Peak: s.Sound.Peak, Level: s.Sound.Level, Role: ch.Role, Format: f, Encoder: p.sub.Engine.Encoders[f.Format],
	}
	for j, part := range ch.Parts {
		_, fit := p.fitOf(plan, fits, i, j, profiles[j])
		stages := p.stages(part.Voice)
		r.Parts = append(r.Parts, pipeline.FilePart{
			Cut: profiles[j].Cut.Asked(chain.NeedsMarks(stages)), Join: part.Join, FitDB: fit.GainDB, Facts: fit.Facts,
			Chain: stages, GainDB: narrators[part.Voice.Narrator],
		})
	}
	return r
}

// floorGain is the raw floor of a chapter's loudest-floored part after every
// gain: what the delivered floor would be had the chain taken nothing.
func floorGain(f madeFile, profiles []pipeline.ProfileRecord) dsp.DBFS {
	worst := dsp.DBFS(dsp.Silence)
	for j, part := range f.recipe.Parts {
		at := profiles[j].Floor.Median + dsp.DBFS(part.FitDB+part.GainDB+f.recipe.TrimDB+f.record.CorrectDB)
		if profiles[j].Floor.Windows > 0 && at > worst {
			worst = at
		}
	}
	return dsp.DBFS(dsp.Round2(float64(worst)))
}

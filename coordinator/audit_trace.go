package coordinator

import (
	"context"
	"encoding/json"
	"errors"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// trace leads from a source to an object that has to do with a result made of it.
type trace struct {
	object string
	span   pipeline.Span // of the source; zero: all of it
}

// cut is a stretch of a source that a result is made of.
type cut struct {
	source pipeline.Digest
	span   pipeline.Span
}

// trace finds out of which sources the results were made that something is
// wrong with: by them the titles know their own.
func (a *audit) trace(ctx context.Context) error {
	for _, f := range a.faults {
		keys := f.commits
		switch p := placeOf(f.Object); p.kind {
		case recipePlace, commitPlace, failurePlace, quarantinePlace:
			keys = append(keys, p.key)
		}
		for _, key := range keys {
			cuts, err := madeFrom(ctx, a.s, key)
			if err != nil {
				return err
			}
			for _, c := range cuts {
				a.made[c.source] = append(a.made[c.source], trace{f.Object, c.span})
			}
		}
	}
	return nil
}

// madeFrom is what a key's result is made of, as far as its recipe, or else
// its commit, still tells.
func madeFrom(ctx context.Context, s store.Store, key pipeline.Digest) ([]cut, error) {
	r, ok, err := readRecipe(ctx, s, key)
	switch {
	case err != nil:
		return nil, err
	case ok:
		return cutsOf(ctx, s, r)
	}
	var c pipeline.Commit
	err = store.ReadJSON(ctx, s, commitName(key), &c)
	if errors.Is(err, store.ErrAbsent) || errors.Is(err, store.ErrDamaged) {
		return nil, nil
	}
	var p pipeline.ProfileRecord
	if c.Step == pipeline.StepProfile && c.Decode(&p) == nil {
		return []cut{{p.Cut.Source, p.Cut.Span}}, err
	}
	return nil, err
}

// readRecipe reads a recipe; ok is false where it is not there or damaged.
func readRecipe(ctx context.Context, s store.Store, key pipeline.Digest) (r pipeline.Recipe, ok bool, err error) {
	text, err := store.ReadObject(ctx, s, recipeName(key))
	switch {
	case errors.Is(err, store.ErrAbsent) || err != nil && pipeline.KindOf(err) == pipeline.Bug:
		return r, false, nil
	case err != nil:
		return r, false, err
	}
	return r, pipeline.DigestOf(text) == key && json.Unmarshal(text, &r) == nil, nil
}

func cutsOf(ctx context.Context, s store.Store, r pipeline.Recipe) (cuts []cut, err error) {
	var from []pipeline.Digest // keys of results
	switch {
	case r.Intake != nil:
		return []cut{{source: r.Intake.Source}}, nil
	case r.Survey != nil: // whatever it was cut to is the source's
		return []cut{{source: r.Survey.Source}}, nil
	case r.Profile != nil:
		return []cut{{r.Profile.Source, r.Profile.Span}}, nil
	case r.Weigh != nil:
		return []cut{{r.Weigh.Cut.Source, r.Weigh.Cut.Span}}, nil
	case r.File != nil:
		for _, p := range r.File.Parts {
			cuts = append(cuts, cut{p.Cut.Source, p.Cut.Span})
		}
	case r.Check != nil:
		for _, p := range r.Check.Parts {
			cuts = append(cuts, cut{p.Cut.Source, p.Cut.Span})
		}
	case r.Fit != nil:
		from = r.Fit.Profiles
	case r.Level != nil:
		for _, ch := range r.Level.Chapters {
			from = append(from, ch.Weighs...)
		}
	}
	for _, key := range from { // of profiles or weighs: no further than here
		if !key.Valid() {
			continue
		}
		more, err := madeFrom(ctx, s, key)
		if err != nil {
			return nil, err
		}
		cuts = append(cuts, more...)
	}
	return cuts, nil
}

// chapters notes the run's chapters that faulty results belong to. Before the
// plan is there a chapter has all of its files.
func (r *runAudit) chapters(plan pipeline.Plan, planned bool) {
	if len(r.made) == 0 {
		return
	}
	if planned {
		for _, ch := range plan.Chapters {
			for _, part := range ch.Parts {
				r.touched(part, Hit{Title: r.title, Run: r.run, Chapter: ch.Number, Name: ch.Name})
			}
		}
		return
	}
	blobs := map[string]pipeline.Digest{}
	for _, src := range r.sub.Sources {
		blobs[src.Path] = src.Blob
	}
	for _, ch := range r.sub.Title.Chapters {
		for _, p := range ch.Parts {
			part := pipeline.Part{Source: blobs[p.File], Path: p.File, Voice: pipeline.Voice{Narrator: narratorOf(r.sub.Title, p)}}
			r.touched(part, Hit{Title: r.title, Run: r.run, Chapter: ch.Number, Name: ch.Name})
		}
	}
}

// touched notes a hit for all that is wrong with results of a part.
func (r *runAudit) touched(part pipeline.Part, h Hit) {
	h.Files = []string{part.Path}
	if part.Voice.Narrator != "" {
		h.Narrators = []string{part.Voice.Narrator}
	}
	for _, t := range r.made[part.Source] {
		if t.span == (pipeline.Span{}) || part.Span == (pipeline.Span{}) || t.span == part.Span {
			r.hit(t.object, h)
		}
	}
}

func narratorOf(t pipeline.Title, p pipeline.TitlePart) string {
	if p.Narrator != "" {
		return p.Narrator
	}
	return t.Narrator
}

package coordinator

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"slices"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// recipe mends a recipe. Where nothing was made of it yet it is removed, and
// the run that asks for its result writes it again; else the runs that stand
// or are wanted are asked what it was.
func (m *mender) recipe(ctx context.Context, f *Fault, key pipeline.Digest) error {
	_, err := m.s.Stat(ctx, commitName(key))
	switch {
	case errors.Is(err, store.ErrAbsent) && f.Fault == IsMissing:
		return m.done(f, "nothing: the commit is gone as well", nil)
	case errors.Is(err, store.ErrAbsent):
		return m.done(f, "removed; the run that asks for its result writes it again", m.s.Delete(ctx, f.Object))
	case err != nil:
		return err
	}
	if m.told == nil {
		if err := m.ask(ctx); err != nil {
			return err
		}
	}
	text, ok := m.told[key]
	if !ok {
		f.Do = "nothing, or remove it with its commit: no run that stands or is wanted asks for it"
		return nil
	}
	return m.done(f, "written again as its title's run asks for it", overwrite(ctx, m.s, f.Object, text))
}

// ask finds the recipes that faults are about among those that titles ask for.
func (m *mender) ask(ctx context.Context) error {
	m.told = map[pipeline.Digest]json.RawMessage{}
	sought := map[pipeline.Digest]bool{}
	for _, f := range m.faults {
		if p := placeOf(f.Object); p.kind == recipePlace {
			sought[p.key] = true
		}
	}
	tell := func(r pipeline.Recipe) {
		text, err := pipeline.Canonical(r)
		if key := pipeline.DigestOf(text); err == nil && sought[key] {
			m.told[key] = text
		}
	}
	return m.s.List(ctx, "titles/", func(i store.Info) error {
		p := placeOf(i.Name)
		if p.kind != titlePlace || len(m.told) == len(sought) {
			return nil
		}
		var t pipeline.TitleState
		if err := store.ReadJSON(ctx, m.s, i.Name, &t); err != nil {
			if errors.Is(notThere(err), errNot) {
				return nil
			}
			return err
		}
		for _, run := range []string{t.Standing, t.Wanted} {
			if run == "" {
				continue
			}
			if err := askedFor(ctx, m.s, p.title, run, tell); err != nil && !errors.Is(notThere(err), errNot) {
				return err
			}
		}
		return nil
	})
}

// askedFor tells every recipe that a run asks for, as far as the run's objects
// and the results that are there lead. It writes nothing.
func askedFor(ctx context.Context, s store.Store, title, run string, tell func(pipeline.Recipe)) error {
	// What is decided leads to the files; without it, to what it was decided by.
	undecided := without{s, []string{runName(title, run, "fits"), runName(title, run, "gains")}}
	for _, s := range []store.Store{s, undecided} {
		c := &Coordinator{Store: s, Looks: looksAtATime}
		p := &pass{c: c, title: title, run: run, known: c.know(title), looking: true, sees: tell}
		if err := p.begin(ctx); err != nil {
			return err
		}
		for _, src := range p.sub.Sources {
			r := pipeline.NewRecipe(pipeline.StepIntake)
			r.Intake = &pipeline.IntakeRecipe{Source: src.Blob}
			tell(r)
		}
		if _, _, err := p.toClose(ctx); err != nil {
			return err
		}
		var plan pipeline.Plan // names what it was surveyed for; until it is pinned, toClose asks
		if err := store.ReadJSON(ctx, s, runName(title, run, "plan"), &plan); err != nil && !errors.Is(err, store.ErrAbsent) {
			return err
		}
		for _, survey := range plan.Surveyed {
			r := pipeline.NewRecipe(pipeline.StepSurvey)
			r.Survey = &survey
			tell(r)
		}
	}
	return nil
}

// without is a store that does not have some objects.
type without struct {
	store.Store
	names []string
}

func (w without) Get(ctx context.Context, name string, off, n int64) (io.ReadCloser, error) {
	if slices.Contains(w.names, name) {
		return nil, store.ErrAbsent
	}
	return w.Store.Get(ctx, name, off, n)
}

package coordinator

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// Repair mends what an audit found, as far as it can be made again, and says
// at each fault what it did. What it does not know, and bytes that nothing can
// make again, it never deletes. It may be cut off anywhere and run again, also
// beside a night. The faults are read again before anything is removed.
func Repair(ctx context.Context, s store.Store, found *Audited) error {
	m := &mender{s: s, faults: found.Faults, again: map[string][]*Fault{}}
	// Recipes first: what is to be made again is made from them.
	for _, kinds := range [][]placeKind{
		{recipePlace}, {blobPlace, commitPlace}, {runPlace}, {sharePlace}, {narratorPlace}, {failurePlace, quarantinePlace}, {openPlace},
	} {
		for i := range found.Faults {
			f := &found.Faults[i]
			if !slices.Contains(kinds, placeOf(f.Object).kind) || f.Fault == IsUnreadable || f.Fault == IsUnknown {
				continue
			}
			if err := m.mend(ctx, f); err != nil {
				return fmt.Errorf("mend %s: %w", f.Object, err)
			}
		}
	}
	for _, title := range slices.Sorted(maps.Keys(m.again)) {
		if err := m.runAgain(ctx, title); err != nil {
			return fmt.Errorf("run %s again: %w", title, err)
		}
	}
	return nil
}

// mender is one repair.
type mender struct {
	s      store.Store
	faults []Fault
	again  map[string][]*Fault                 // titles whose standing run lacks something
	told   map[pipeline.Digest]json.RawMessage // recipes, as titles ask for them; nil: not asked yet
}

func (m *mender) mend(ctx context.Context, f *Fault) error {
	p := placeOf(f.Object)
	switch p.kind {
	case recipePlace:
		return m.recipe(ctx, f, p.key)
	case blobPlace:
		return m.blob(ctx, f, p.key)
	case commitPlace:
		return m.commit(ctx, f, p.key)
	case runPlace:
		return m.runObject(ctx, f, p)
	case sharePlace:
		return m.done(f, "written again", notThere(remakeShare(ctx, m.s, p)))
	case narratorPlace:
		return m.done(f, "written again from the runs that stand", notThere(remakeNarrator(ctx, m.s, p.narrator)))
	case failurePlace:
		return m.done(f, "removed", m.s.Delete(ctx, f.Object))
	case quarantinePlace:
		if f.Fault == IsStale {
			return nil
		}
		return m.done(f, "removed", m.s.Delete(ctx, f.Object))
	case openPlace:
		return m.entry(ctx, f, p)
	}
	return nil
}

// errNot: what a mending needs is not there or damaged itself.
var errNot = errors.New("it can't be made again")

// notThere is errNot where what something is made of is absent or damaged.
func notThere(err error) error {
	if errors.Is(err, store.ErrAbsent) || errors.Is(err, store.ErrDamaged) {
		return errNot
	}
	return err
}

// done notes what was done about a fault, unless it could not be.
func (m *mender) done(f *Fault, what string, err error) error {
	switch {
	case errors.Is(err, errNot):
		f.Do = "mend what it is made from, then repair again; it can't be made again as it is"
		return nil
	case err != nil:
		return err
	}
	f.Done, f.Do, f.Mended = what, "nothing", true
	return nil
}

// entry writes an unfinished run into the index, or takes one out that is over.
func (m *mender) entry(ctx context.Context, f *Fault, p place) error {
	var t pipeline.TitleState
	if err := store.ReadJSON(ctx, m.s, titleName(p.title), &t); err != nil {
		if errors.Is(err, store.ErrAbsent) || errors.Is(err, store.ErrDamaged) {
			return nil // a submission that comes again finds its entry
		}
		return err
	}
	switch {
	case f.Fault == IsMissing && t.Wanted == p.run && t.Wanted != t.Standing:
		return m.done(f, "written again", store.Create(ctx, m.s, f.Object, []byte("{}")))
	case f.Fault == IsStale && isOver(t, p.run):
		return m.done(f, "removed", m.s.Delete(ctx, f.Object))
	case f.Fault == IsMissing:
		f.Do, f.Mended = "nothing: the run is over by now", true
	}
	return nil
}

// runObject has what a run decided decided again: for one that is unfinished
// by itself, for one that stands by a new run, but for its fits and gains,
// which the new run wants to keep to and which its close holds as well.
func (m *mender) runObject(ctx context.Context, f *Fault, p place) error {
	var t pipeline.TitleState
	if err := store.ReadJSON(ctx, m.s, titleName(p.title), &t); notThere(err) == errNot {
		return nil
	} else if err != nil {
		return err
	}
	switch {
	case f.Weight != Damage || p.what == "submit":
	case p.run == t.Standing && (p.what == "fits" || p.what == "gains"):
		return m.done(f, "written again from the run's close", notThere(remakeDecided(ctx, m.s, p)))
	case p.run == t.Standing:
		m.again[p.title] = append(m.again[p.title], f)
	case p.run == t.Wanted:
		return m.done(f, "removed, and the run decides it again", m.s.Delete(ctx, f.Object))
	}
	return nil
}

// remakeDecided writes a standing run's fits or gains again, from its close.
func remakeDecided(ctx context.Context, s store.Store, p place) error {
	var o pipeline.Outcome
	if err := store.ReadJSON(ctx, s, runName(p.title, p.run, "close"), &o); err != nil {
		return err
	}
	if p.what == "gains" {
		return overwrite(ctx, s, runName(p.title, p.run, "gains"), o.Gains)
	}
	fits := pipeline.Fits{Sessions: map[string]pipeline.FitRecord{}, Names: map[string]string{}}
	for _, session := range o.Sessions {
		fits.Sessions[pipeline.SessionID(session.Narrator, session.Setup, session.Session)] = session.Fit
	}
	for i, ch := range o.Chapters {
		for j, part := range ch.Parts {
			if part.Session != "" {
				fits.Names[pipeline.PartID(i, j)] = part.Session
			}
		}
	}
	return overwrite(ctx, s, runName(p.title, p.run, "fits"), fits)
}

// runAgain submits what a title's standing run was submitted with as a new
// run. Results that are there are found; the same recipes give the same bytes,
// so that what the old run says comes true again.
func (m *mender) runAgain(ctx context.Context, title string) error {
	var t pipeline.TitleState
	if err := store.ReadJSON(ctx, m.s, titleName(title), &t); err != nil {
		return err
	}
	said := "run " + t.Wanted + " of " + title + " is under way, and makes again what it needs"
	if t.Wanted == t.Standing {
		var sub pipeline.Submission
		if err := store.ReadJSON(ctx, m.s, runName(title, t.Standing, "submit"), &sub); notThere(err) == errNot {
			for _, f := range m.again[title] {
				f.Mended, f.Do = false, "submit "+title+" again: what it was submitted with is lost"
			}
			return nil
		} else if err != nil {
			return err
		}
		sub.Again = t.Seq
		run, err := Submit(ctx, m.s, sub, OrderOf(t))
		if err != nil {
			return err
		}
		said = "run " + run + " of " + title + " is wanted, and makes again what is missing"
	}
	for _, f := range m.again[title] {
		f.Done = strings.TrimPrefix(f.Done+"; "+said, "; ")
		f.Do, f.Mended = "let the night work on "+title, true
	}
	return nil
}

// hitTitles has the standing runs that a fault hits made again.
func (m *mender) hitTitles(f *Fault) {
	var last string
	for _, h := range f.Hits { // in order of title
		if h.Standing && h.Title != last {
			m.again[h.Title] = append(m.again[h.Title], f)
			last = h.Title
		}
	}
}

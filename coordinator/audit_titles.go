package coordinator

import (
	"context"
	"errors"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// titleObjects is what the listing has below one title.
type titleObjects struct {
	title string
	state bool
	runs  map[string]map[string]bool // objects, by run
}

// readTitles goes over the titles, each with all its objects at hand: their
// names follow each other in a listing.
func (a *audit) readTitles(ctx context.Context) error {
	list := func(send func(titleObjects) error) error {
		var t titleObjects
		flush := func() error {
			if t.title == "" {
				return nil
			}
			return send(t)
		}
		err := a.s.List(ctx, "titles/", func(i store.Info) error {
			p := placeOf(i.Name)
			if p.kind != titlePlace && p.kind != runPlace {
				return nil
			}
			if p.title != t.title {
				if err := flush(); err != nil {
					return err
				}
				t = titleObjects{title: p.title, runs: map[string]map[string]bool{}}
			}
			if p.kind == titlePlace {
				t.state = true
				return nil
			}
			if t.runs[p.run] == nil {
				t.runs[p.run] = map[string]bool{}
			}
			t.runs[p.run][p.what] = true
			return nil
		})
		if err != nil {
			return err
		}
		return flush()
	}
	return stream(ctx, list, a.readTitle)
}

// readTitle holds a title's runs against its state: those that stand and are
// wanted to their last blob, the others by their form.
func (a *audit) readTitle(ctx context.Context, t titleObjects) error {
	all := Hit{Title: t.title, Chapter: pipeline.WholeTitle}
	name := titleName(t.title)
	state, is, err := object(ctx, a, name, func(s pipeline.TitleState) string {
		if s.Seq < 1 || s.Wanted == "" && s.Standing != "" {
			return "it names no run that is wanted"
		}
		return ""
	})
	if err != nil {
		return err
	}
	if is == absent {
		a.lostTitle(t)
	}
	if is != intact {
		a.hit(name, all)
	}
	for _, run := range []string{state.Standing, state.Wanted} {
		if run != "" && is == intact {
			r := &runAudit{audit: a, title: t.title, run: run, standing: run == state.Standing}
			if run != state.Wanted {
				r.night = state.Wanted
			}
			if err := r.read(ctx); err != nil {
				return err
			}
		}
		if state.Wanted == state.Standing {
			break
		}
	}
	for run, objects := range t.runs {
		if run == state.Standing || run == state.Wanted {
			continue
		}
		for what := range objects {
			if err := a.history(ctx, t.title, run, what); err != nil {
				return err
			}
		}
	}
	if is == intact && state.Wanted != state.Standing {
		return a.indexed(ctx, t.title, state)
	}
	return nil
}

// history reads an object of a run that neither stands nor is wanted: nobody
// else does.
func (a *audit) history(ctx context.Context, title, run, what string) error {
	name := runName(title, run, what)
	_, is, err := object(ctx, a, name, func(map[string]any) string { return "" })
	if is == damaged {
		a.mu.Lock()
		a.faults[name].Weight = Notice
		a.mu.Unlock()
	}
	a.hit(name, Hit{Title: title, Run: run, Chapter: pipeline.WholeTitle})
	return err
}

// lostTitle tells a title whose state is gone from one whose first submission
// was cut off, or is under way.
func (a *audit) lostTitle(t titleObjects) {
	f := Fault{Object: titleName(t.title), Fault: IsMissing, Weight: Notice, What: "its first submission was cut off before it was wanted"}
	for _, objects := range t.runs {
		if len(t.runs) > 1 || len(objects) > 1 {
			f.Weight, f.What = Damage, "the title has runs, and nothing says which of them stands"
		}
	}
	a.fault(f)
}

// indexed wants an unfinished run in the index, without which no coordinator
// finds it.
func (a *audit) indexed(ctx context.Context, title string, seen pipeline.TitleState) error {
	name := openName(title, seen.Wanted)
	there, err := a.there(ctx, name)
	if err != nil || there {
		return err
	}
	var now pipeline.TitleState // it may have come to its close meanwhile
	if err := store.ReadJSON(ctx, a.s, titleName(title), &now); err != nil || now != seen {
		return err
	}
	a.fault(Fault{Object: name, Fault: IsMissing, Weight: Damage, What: "the run is unfinished and no coordinator will find it"})
	a.hit(name, Hit{Title: title, Run: seen.Wanted, Chapter: pipeline.WholeTitle})
	return nil
}

// readIndex names entries of runs that are over, or never were.
func (a *audit) readIndex(ctx context.Context) error {
	return a.under(ctx, "open/", func(ctx context.Context, i store.Info) error {
		p := placeOf(i.Name)
		if p.kind != openPlace {
			return nil
		}
		var t pipeline.TitleState
		err := store.ReadJSON(ctx, a.s, titleName(p.title), &t)
		what := ""
		switch {
		case errors.Is(err, store.ErrDamaged):
			return nil // which was told
		case errors.Is(err, store.ErrAbsent) || err == nil && p.run > RunOf(t.Seq):
			what = "a submission was cut off before it was wanted, or is under way"
		case err != nil:
			return err
		case isOver(t, p.run):
			what = "the run is over"
		}
		if there, err := a.there(ctx, i.Name); what == "" || err != nil || !there {
			return err // it may have gone with its run
		}
		a.fault(Fault{Object: i.Name, Fault: IsStale, Weight: Notice, What: what})
		a.hit(i.Name, Hit{Title: p.title, Run: p.run, Chapter: pipeline.WholeTitle})
		return nil
	})
}

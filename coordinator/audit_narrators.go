package coordinator

import (
	"bytes"
	"context"
	"fmt"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// shares holds what each narrator has of the run that stands against its close.
func (r *runAudit) shares(ctx context.Context, o pipeline.Outcome) error {
	for who := range r.sub.Narrators {
		if err := r.share(ctx, who, o); err != nil {
			return err
		}
	}
	return nil
}

func (r *runAudit) share(ctx context.Context, who string, o pipeline.Outcome) error {
	name := shareName(who, r.title, r.run)
	h := r.whole()
	h.Narrators = []string{who}
	there, is, err := object(ctx, r.audit, name, func(pipeline.Outcome) string { return "" })
	switch {
	case err != nil:
		return err
	case is == absent:
		// While a run is in the index a coordinator may still have to write it.
		for _, other := range []string{openName(r.title, r.run), name} {
			if came, err := r.there(ctx, other); err != nil || came {
				return err
			}
		}
		r.fault(Fault{Object: name, Fault: IsMissing, Weight: Damage, What: "the run stands and its narrator knows nothing of it"})
	case is == intact && !sameOutcome(there, shareOf(o, who)):
		r.fault(Fault{Object: name, Fault: IsWrong, Weight: Damage, What: "it is other than what the close of its run says"})
	}
	r.hit(name, h)
	known, err := r.there(ctx, narratorName(who))
	if err == nil && !known {
		r.fault(Fault{Object: narratorName(who), Fault: IsMissing, Weight: Damage, What: "a narrator of standing runs has no latest fits"})
		r.hit(narratorName(who), h)
	}
	return err
}

// sameOutcome compares what this build reads of two outcomes.
func sameOutcome(a, b pipeline.Outcome) bool {
	x, errX := pipeline.Canonical(a)
	y, errY := pipeline.Canonical(b)
	return errX == nil && errY == nil && bytes.Equal(x, y)
}

// readNarrators reads what narrators have, by its form.
func (a *audit) readNarrators(ctx context.Context) error {
	return a.under(ctx, "narrators/", func(ctx context.Context, i store.Info) (err error) {
		p := placeOf(i.Name)
		h := Hit{Title: p.title, Run: p.run, Chapter: pipeline.WholeTitle, Narrators: []string{p.narrator}}
		switch p.kind {
		case narratorPlace:
			_, _, err = object(ctx, a, i.Name, func(NarratorState) string { return "" })
		case sharePlace:
			_, _, err = object(ctx, a, i.Name, func(o pipeline.Outcome) string {
				if o.Slug != p.title || o.Run != p.run {
					return fmt.Sprintf("it is of another run: %.80q of %.80q", o.Run, o.Slug)
				}
				return ""
			})
		default:
			return nil
		}
		a.hit(i.Name, h)
		return err
	})
}

// remakeShare writes what a narrator has of a run again, from its close.
func remakeShare(ctx context.Context, s store.Store, p place) error {
	var o pipeline.Outcome
	if err := store.ReadJSON(ctx, s, runName(p.title, p.run, "close"), &o); err != nil {
		return err
	}
	return overwrite(ctx, s, shareName(p.narrator, p.title, p.run), shareOf(o, p.narrator))
}

// remakeNarrator writes a narrator's latest fits and history again. Which of the
// titles was the latest nobody can tell any more: of each setup the fit that was
// measured on the most speech is taken, and titles stand in the order of names.
func remakeNarrator(ctx context.Context, s store.Store, who string) error {
	n := NarratorState{Last: map[string]LastFit{}}
	prefix := "narrators/" + who + "/titles/"
	err := s.List(ctx, prefix, func(i store.Info) error {
		p := placeOf(i.Name)
		if p.kind != sharePlace {
			return nil
		}
		var t pipeline.TitleState
		if err := store.ReadJSON(ctx, s, titleName(p.title), &t); err != nil {
			return err
		}
		if t.Standing != p.run {
			return nil
		}
		var (
			o   pipeline.Outcome
			sub pipeline.Submission
		)
		if err := store.ReadJSON(ctx, s, runName(p.title, p.run, "submit"), &sub); err != nil {
			return err
		}
		if err := store.ReadJSON(ctx, s, runName(p.title, p.run, "close"), &o); err != nil {
			return err
		}
		for _, session := range o.Sessions {
			last, known := n.Last[session.Setup]
			if session.Narrator == who && session.Fit.SpeechS >= sub.Settings.Fit.MinSpeechS && (!known || session.Fit.SpeechS > last.Fit.SpeechS) {
				n.Last[session.Setup] = LastFit{Title: p.title, Run: p.run, Fit: session.Fit}
			}
		}
		n.read(who, o)
		return nil
	})
	if err != nil {
		return err
	}
	return overwrite(ctx, s, narratorName(who), n)
}

// overwrite puts v in the place of what stands under a name.
func overwrite(ctx context.Context, s store.Store, name string, v any) error {
	data, err := pipeline.Canonical(v)
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, name, "%w", err)
	}
	_, version, err := store.ReadVersion(ctx, s, name)
	if err != nil {
		return err
	}
	_, err = s.Swap(ctx, name, version, data)
	return err
}

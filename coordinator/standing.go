package coordinator

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// ErrNoRun: no run of a title stands.
var ErrNoRun = errors.New("no run stands")

// Standing is how a title's standing run ended, and where the title is. It
// reads two objects. store.ErrAbsent where there is no such title, ErrNoRun
// with the title's state where none of its runs stands.
func Standing(ctx context.Context, s store.Store, title string) (pipeline.TitleState, pipeline.Outcome, error) {
	var t pipeline.TitleState
	if err := store.ReadJSON(ctx, s, titleName(title), &t); err != nil {
		return t, pipeline.Outcome{}, err
	}
	if t.Standing == "" {
		return t, pipeline.Outcome{}, fmt.Errorf("title %s: %w", title, ErrNoRun)
	}
	o, err := OutcomeOf(ctx, s, title, t.Standing)
	return t, o, err
}

// OutcomeOf is how a finished run of a title ended. store.ErrAbsent.
func OutcomeOf(ctx context.Context, s store.Store, title, run string) (o pipeline.Outcome, err error) {
	name := runName(title, run, "close")
	if err := store.ReadJSON(ctx, s, name, &o); err != nil {
		return o, err
	}
	if o.Slug != title || o.Run != run {
		return o, fmt.Errorf("%s: %w: it is of run %s of %s", name, store.ErrDamaged, o.Run, o.Slug)
	}
	return o, nil
}

// Closed are a title's finished runs in order.
func Closed(ctx context.Context, s store.Store, title string) (runs []string, err error) {
	prefix := "titles/" + title + "/runs/"
	err = s.List(ctx, prefix, func(i store.Info) error {
		if run, ok := strings.CutSuffix(strings.TrimPrefix(i.Name, prefix), "/close.json"); ok {
			runs = append(runs, run)
		}
		return nil
	})
	return runs, err
}

// TitlesOf is every title of which a run stood that a narrator reads in, by
// name: an index that is derived from the runs, and has what they had.
func TitlesOf(ctx context.Context, s store.Store, narrator string) ([]string, error) {
	var titles []string
	prefix := "narrators/" + narrator + "/titles/"
	err := s.List(ctx, prefix, func(i store.Info) error {
		title, _, _ := strings.Cut(strings.TrimPrefix(i.Name, prefix), "/")
		if pipeline.ValidSlug(title) && (len(titles) == 0 || titles[len(titles)-1] != title) {
			titles = append(titles, title)
		}
		return nil
	})
	return titles, err
}

// Known is where a title is, by its one object; the zero state where nobody
// submitted it.
func Known(ctx context.Context, s store.Store, title string) (pipeline.TitleState, error) {
	var t pipeline.TitleState
	err := store.ReadJSON(ctx, s, titleName(title), &t)
	if errors.Is(err, store.ErrAbsent) {
		err = nil
	}
	return t, err
}

// Submission is what a run of a title was submitted with. store.ErrAbsent.
func Submission(ctx context.Context, s store.Store, title, run string) (sub pipeline.Submission, err error) {
	err = store.ReadJSON(ctx, s, runName(title, run, "submit"), &sub)
	return sub, err
}

// RunOf is the name of a title's run by its number: those are counted from 1.
func RunOf(seq int) string { return fmt.Sprintf("%06d", seq) }

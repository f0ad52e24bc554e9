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
	var o pipeline.Outcome
	if err := store.ReadJSON(ctx, s, titleName(title), &t); err != nil {
		return t, o, err
	}
	if t.Standing == "" {
		return t, o, fmt.Errorf("title %s: %w", title, ErrNoRun)
	}
	name := runName(title, t.Standing, "close")
	if err := store.ReadJSON(ctx, s, name, &o); err != nil {
		return t, o, err
	}
	if o.Slug != title || o.Run != t.Standing {
		return t, o, fmt.Errorf("%s: %w: it is of run %s of %s", name, store.ErrDamaged, o.Run, o.Slug)
	}
	return t, o, nil
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

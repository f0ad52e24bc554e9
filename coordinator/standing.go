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

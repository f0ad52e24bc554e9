package coordinator

import (
	"context"
	"errors"
	"fmt"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

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

// OrderOf is a title's place in the night as its state has it.
func OrderOf(t pipeline.TitleState) Order { return orderOf(t) }

// Submission is what a run of a title was submitted with. store.ErrAbsent.
func Submission(ctx context.Context, s store.Store, title, run string) (sub pipeline.Submission, err error) {
	err = store.ReadJSON(ctx, s, runName(title, run, "submit"), &sub)
	return sub, err
}

// RunOf is the name of a title's run by its number: those are counted from 1.
func RunOf(seq int) string { return fmt.Sprintf("%06d", seq) }

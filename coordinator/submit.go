package coordinator

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// Submit writes a run down and makes it the one that is wanted for its title.
// The sources' blobs must be in the store. Submitting what the wanted run was
// submitted with names that run again: the same command goes on where it was
// cut off. It returns the run's name.
func Submit(ctx context.Context, s store.Store, sub pipeline.Submission) (string, error) {
	title := sub.Title.Slug
	text, err := pipeline.Canonical(sub)
	if err != nil {
		return "", pipeline.Errorf(pipeline.Bug, "submit", "%w", err)
	}
	for {
		var t pipeline.TitleState
		if err := store.ReadJSON(ctx, s, titleName(title), &t); err != nil && !errors.Is(err, store.ErrAbsent) {
			return "", err
		}
		if t.Wanted != "" {
			switch same, err := submitted(ctx, s, title, t.Wanted, text); {
			case err != nil:
				return "", err
			case same:
				return t.Wanted, nil
			}
		}
		// The run's own object comes first: what is wanted can always be
		// read. A run of this name that someone else wrote down is helped to
		// be wanted, and ours takes the next name.
		run := fmt.Sprintf("%06d", t.Seq+1)
		err := store.Create(ctx, s, runName(title, run, "submit"), text)
		ours := err == nil
		if errors.Is(err, store.ErrConflict) {
			_, err = store.ReadObject(ctx, s, runName(title, run, "submit"))
		}
		if err != nil {
			return "", fmt.Errorf("submit %s: %w", title, err)
		}
		switch err := want(ctx, s, title, t.Seq, run); {
		case err == nil && ours:
			return run, nil
		case err != nil && !errors.Is(err, errMoved):
			return "", fmt.Errorf("submit %s: %w", title, err)
		}
	}
}

// errMoved: the title is not where a decision was made on it.
var errMoved = errors.New("the title moved on")

// want makes run the wanted one of a title that is at seq.
func want(ctx context.Context, s store.Store, title string, seq int, run string) error {
	return store.Update(ctx, s, titleName(title), func(t *pipeline.TitleState) error {
		if t.Seq != seq {
			return errMoved
		}
		t.Seq, t.Wanted = seq+1, run
		return nil
	})
}

// submitted tells whether a run was submitted with text.
func submitted(ctx context.Context, s store.Store, title, run string, text []byte) (bool, error) {
	there, err := store.ReadObject(ctx, s, runName(title, run, "submit"))
	return string(there) == string(text), err
}

// Forgive forgets the failed tries and quarantines of what is made of a
// title's sources, so that what was given up is tried again, and returns the
// title's latest run for the submission to name. What had succeeded stays.
func Forgive(ctx context.Context, s store.Store, title string) (again int, err error) {
	var t pipeline.TitleState
	switch err := store.ReadJSON(ctx, s, titleName(title), &t); {
	case errors.Is(err, store.ErrAbsent):
		return 0, nil
	case err != nil:
		return 0, err
	}
	var sub pipeline.Submission
	if err := store.ReadJSON(ctx, s, runName(title, t.Wanted, "submit"), &sub); err != nil {
		return 0, err
	}
	own := map[pipeline.Digest]bool{}
	for _, src := range sub.Sources {
		own[src.Blob] = true
	}
	// Tries before quarantines: cut off between the two, what was given up
	// still is, and the next call goes on.
	for _, prefix := range []string{"attempts/", "quarantine/"} {
		var names []string
		err := s.List(ctx, prefix, func(i store.Info) error {
			if prefix == "quarantine/" || strings.HasSuffix(i.Name, ".err.json") {
				names = append(names, i.Name)
			}
			return nil
		})
		if err != nil {
			return 0, err
		}
		mine := map[pipeline.Digest]bool{} // keys that were looked at
		for _, n := range names {
			key := keyIn(strings.TrimPrefix(n, prefix))
			if _, known := mine[key]; !known {
				if mine[key], err = madeOf(ctx, s, key, own); err != nil {
					return 0, err
				}
			}
			if !mine[key] {
				continue
			}
			if err := s.Delete(ctx, n); err != nil {
				return 0, err
			}
		}
	}
	return t.Seq, nil
}

// keyIn is the key that the rest of a name starts with.
func keyIn(rest string) pipeline.Digest {
	key, _, _ := strings.Cut(strings.TrimSuffix(rest, ".json"), "/")
	return pipeline.Digest(key)
}

// madeOf tells whether a recipe reads one of some sources; so does one that
// can't be read, which nobody else would forgive.
func madeOf(ctx context.Context, s store.Store, key pipeline.Digest, sources map[pipeline.Digest]bool) (bool, error) {
	var r pipeline.Recipe
	err := store.ReadJSON(ctx, s, recipeName(key), &r)
	if errors.Is(err, store.ErrAbsent) || errors.Is(err, store.ErrDamaged) {
		return true, nil
	}
	if err != nil {
		return false, err
	}
	for _, blob := range r.Inputs() {
		if sources[blob] {
			return true, nil
		}
	}
	return false, nil
}

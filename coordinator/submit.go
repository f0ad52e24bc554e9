package coordinator

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"
)

// Order is a title's place in the night: rush before overnight, then by due
// date, those without one last. It touches no result and can be changed at any time.
type Order struct {
	Class queue.Class
	Due   time.Time // zero: no date
}

// OrderOf is a title's place in the night as its state has it.
func OrderOf(t pipeline.TitleState) Order {
	return Order{Class: queue.Class(t.Class), Due: t.Due}.filled()
}

func (o Order) filled() Order {
	if o.Class != queue.Rush {
		o.Class = queue.Overnight
	}
	return o
}

// Submit writes a run down and makes it the one that is wanted for its title.
// The sources' blobs must be in the store. Submitting what the wanted run was
// submitted with names that run again, and moves it to the order given: the
// same command goes on where it was cut off. It returns the run's name.
func Submit(ctx context.Context, s store.Store, sub pipeline.Submission, o Order) (string, error) {
	title := sub.Title.Slug
	o = o.filled()
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
			same, err := submitted(ctx, s, title, t.Wanted, text)
			if err != nil {
				return "", err
			}
			if same {
				switch err := move(ctx, s, title, t.Wanted, o); {
				case errors.Is(err, errMoved):
					continue
				case err != nil:
					return "", fmt.Errorf("submit %s: %w", title, err)
				}
				return t.Wanted, nil
			}
		}
		// The run's own objects come first: what is wanted can always be
		// found and read. A run of this name that someone else wrote down is
		// helped to be wanted, and ours takes the next name.
		run := RunOf(t.Seq + 1)
		if err := store.Create(ctx, s, openName(title, run), []byte("{}")); err != nil {
			return "", fmt.Errorf("submit %s: %w", title, err)
		}
		err = store.Create(ctx, s, runName(title, run, "submit"), text)
		ours := err == nil
		if errors.Is(err, store.ErrConflict) {
			_, err = store.ReadObject(ctx, s, runName(title, run, "submit"))
		}
		if err != nil {
			return "", fmt.Errorf("submit %s: %w", title, err)
		}
		switch err := makeWanted(ctx, s, title, t.Seq, run, o); {
		case err == nil && ours:
			return run, nil
		case err != nil && !errors.Is(err, errMoved):
			return "", fmt.Errorf("submit %s: %w", title, err)
		}
	}
}

// errMoved: the title is not where a decision was made on it.
var errMoved = errors.New("the title moved on")

// makeWanted makes run the wanted one of a title that is at seq.
func makeWanted(ctx context.Context, s store.Store, title string, seq int, run string, o Order) error {
	return update(ctx, s, title, func(t *pipeline.TitleState) error {
		if t.Seq != seq {
			return errMoved
		}
		t.Seq, t.Wanted = seq+1, run
		t.Class, t.Due = string(o.Class), o.Due
		return nil
	})
}

// move changes the order of a title that wants run.
func move(ctx context.Context, s store.Store, title, run string, o Order) error {
	return update(ctx, s, title, func(t *pipeline.TitleState) error {
		if t.Wanted != run {
			return errMoved
		}
		if t.Wanted != t.Standing {
			t.Class, t.Due = string(o.Class), o.Due
		}
		return nil
	})
}

// update changes a title's state; every state has a number of its own.
func update(ctx context.Context, s store.Store, title string, change func(*pipeline.TitleState) error) error {
	return store.Update(ctx, s, titleName(title), func(t *pipeline.TitleState) error {
		before := *t
		if err := change(t); err != nil {
			return err
		}
		if *t != before {
			t.Rev++
		}
		return nil
	})
}

// submitted tells whether a run was submitted with text.
func submitted(ctx context.Context, s store.Store, title, run string, text []byte) (bool, error) {
	there, err := store.ReadObject(ctx, s, runName(title, run, "submit"))
	return string(there) == string(text), err
}

// Cancel takes a title's unfinished run back: what stood before is wanted
// again. What was committed stays and is found by the next run. It returns the
// run, "" where none was unfinished. A title that nobody submitted is ErrAbsent.
func Cancel(ctx context.Context, s store.Store, title string) (run string, err error) {
	if _, err := s.Stat(ctx, titleName(title)); err != nil {
		return "", err
	}
	err = update(ctx, s, title, func(t *pipeline.TitleState) error {
		run = ""
		if t.Wanted != t.Standing {
			run = t.Wanted
			t.Wanted, t.Cancelled = t.Standing, run
		}
		return nil
	})
	return run, err
}

// Forgive forgets the quarantines, and the failed tries that led there, of
// what is made of a title's sources, so that what was given up is tried again.
// It returns the title's latest run for the submission to name. What had
// succeeded stays.
func Forgive(ctx context.Context, s store.Store, title string) (again int, err error) {
	var t pipeline.TitleState
	switch err := store.ReadJSON(ctx, s, titleName(title), &t); {
	case errors.Is(err, store.ErrAbsent):
		return 0, nil
	case err != nil:
		return 0, err
	}
	var sub pipeline.Submission
	if err := store.ReadJSON(ctx, s, runName(title, RunOf(t.Seq), "submit"), &sub); err != nil {
		return 0, err
	}
	own := map[pipeline.Digest]bool{}
	for _, src := range sub.Sources {
		own[src.Blob] = true
	}
	var given []pipeline.Digest
	err = s.List(ctx, "quarantine/", func(i store.Info) error {
		key := pipeline.Digest(strings.TrimSuffix(strings.TrimPrefix(i.Name, "quarantine/"), ".json"))
		mine, err := madeOf(ctx, s, key, own)
		if mine {
			given = append(given, key)
		}
		return err
	})
	if err != nil {
		return 0, err
	}
	for _, key := range given {
		if err := forgiveKey(ctx, s, key); err != nil {
			return 0, err
		}
	}
	return t.Seq, nil
}

// forgiveKey deletes tries before the quarantine: cut off between the two, what
// was given up still is, and the next call goes on.
func forgiveKey(ctx context.Context, s store.Store, key pipeline.Digest) error {
	var names []string
	err := s.List(ctx, "attempts/"+string(key)+"/", func(i store.Info) error {
		if strings.HasSuffix(i.Name, ".err.json") {
			names = append(names, i.Name)
		}
		return nil
	})
	for _, name := range append(names, quarantineName(key)) {
		if err == nil {
			err = s.Delete(ctx, name)
		}
	}
	return err
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

package main

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/intake"
	"chapterhouse/pipeline/store"
)

// looked is what was said of a title's recordings before they were read whole.
type looked struct {
	intake.Answer
	before pipeline.Submission // of the title's latest run; zero: none
	title  pipeline.Title
	whole  bool // every file could be held against that run
}

// glance says to w what a title's recordings are, from headers and samples, and
// what of them is new since the latest run, as far as that is known without
// reading them whole.
func glance(ctx context.Context, s store.Store, t openedTitle, seen *seenFiles, w io.Writer) (l looked, err error) {
	l.title, l.whole = t.title, true
	entries, err := os.ReadDir(t.folder)
	if err != nil {
		return l, pipeline.Errorf(pipeline.House, "", "%w", err)
	}
	var files []string
	for _, e := range entries {
		if !e.IsDir() {
			files = append(files, e.Name())
		}
	}
	if l.Answer, err = intake.Look(ctx, t.folder, t.title, files); err != nil {
		return l, err
	}
	state, err := coordinator.Known(ctx, s, t.title.Slug)
	if err != nil {
		return l, err
	}
	if state.Seq > 0 {
		l.before, err = coordinator.Submission(ctx, s, t.title.Slug, coordinator.RunOf(state.Seq))
		if err != nil && !errors.Is(err, store.ErrAbsent) {
			return l, err
		}
	}
	if l.before.Title.Slug != "" {
		found, whole := intake.Versions(l.before, t.title, func(file string) (pipeline.Digest, int64) {
			return seen.digest(filepath.Join(t.folder, file))
		})
		l.Remarks, l.whole = append(l.Remarks, found...), whole
	}
	return l, l.Text(w)
}

// uploaded says what only whole files tell: versions that the first look left
// open, and recordings that are there twice.
func (l *looked) uploaded(sub pipeline.Submission, w io.Writer) error {
	late := intake.Twice(sub.Sources)
	if !l.whole {
		is := map[string]pipeline.SourceFile{}
		for _, s := range sub.Sources {
			is[s.Path] = s
		}
		found, _ := intake.Versions(l.before, l.title, func(file string) (pipeline.Digest, int64) {
			if s, there := is[file]; there {
				return s.Blob, s.Bytes
			}
			return "", -1
		})
		said := map[intake.Remark]bool{}
		for _, r := range l.Remarks {
			said[r] = true
		}
		for _, r := range found {
			if !said[r] {
				late = append(late, r)
			}
		}
	}
	l.Remarks = append(l.Remarks, late...)
	return intake.Remarks(w, late)
}

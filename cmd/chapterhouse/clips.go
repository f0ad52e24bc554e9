package main

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/attention"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"
)

// attentionFolder holds what goes with a title's list of places: clips, sheets
// for its narrators, copies to review. It is made anew with every report.
const attentionFolder = "attention"

// leaveAttention makes a title's list, and leaves its clips and its narrators'
// sheets beside the report, of only where one is named; with review, copies of the
// chapters with cue points too. What could not be cut is told in the error when
// all else is there.
func leaveAttention(ctx context.Context, s store.Store, o pipeline.Outcome, out, only string, review bool) (l attention.List, err error) {
	l = attention.Of(o)
	place := filepath.Join(out, o.Slug, attentionFolder)
	if len(l.Chapters) == 0 {
		return l, attentionError(os.RemoveAll(place)) // an earlier run's
	}
	dir, err := os.MkdirTemp(filepath.Dir(place), ".attention-")
	if err == nil {
		defer os.RemoveAll(dir)
		err = errors.Join(os.Chmod(dir, 0o755), os.Mkdir(filepath.Join(dir, "clips"), 0o755))
	}
	if err != nil {
		return l, attentionError(err)
	}
	brought, err := os.MkdirTemp("", "chapterhouse-clips-")
	if err != nil {
		return l, attentionError(err)
	}
	defer os.RemoveAll(brought)
	bring := func(ctx context.Context, r attention.Recording) (string, error) {
		path := filepath.Join(brought, "recording"+filepath.Ext(r.Name)) // one at a time
		err := blobTo(ctx, s, r.Blob, path)
		if errors.Is(err, store.ErrAbsent) || errors.Is(err, store.ErrDamaged) {
			err = pipeline.Errorf(pipeline.Missing, "", "%w; chapterhouse check says more", err)
		}
		return path, err
	}
	uncut := l.Cut(ctx, o, bring, filepath.Join(dir, "clips"))
	if kind := pipeline.KindOf(uncut); uncut != nil && kind != pipeline.Missing && kind != pipeline.Source {
		return l, attentionError(uncut)
	}
	for _, who := range report.Readers(l) {
		if only != "" && who != only {
			continue
		}
		name := "pickups"
		if pipeline.ValidSlug(who) {
			name += "-" + who
		}
		err := errors.Join(
			writeFile(filepath.Join(dir, name+".csv"), func(w io.Writer) error { return report.PickupsCSV(w, l, who) }),
			writeFile(filepath.Join(dir, name+".html"), func(w io.Writer) error { return report.PickupsHTML(w, o, l, who) }))
		if err != nil {
			return l, attentionError(err)
		}
	}
	if review {
		if err := os.Mkdir(filepath.Join(dir, "review"), 0o755); err != nil {
			return l, attentionError(err)
		}
		if _, err := l.Review(ctx, o, bring, filepath.Join(dir, "review")); err != nil {
			return l, attentionError(err)
		}
	}
	if err := os.RemoveAll(place); err != nil {
		return l, attentionError(err)
	}
	if err := os.Rename(dir, place); err != nil {
		return l, attentionError(err)
	}
	return l, attentionError(uncut)
}

func attentionError(err error) error {
	if err == nil {
		return nil
	}
	return pipeline.Errorf(pipeline.KindOf(err), "write where to listen", "%w", err)
}

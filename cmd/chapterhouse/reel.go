package main

import (
	"context"
	"os"
	"path/filepath"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/reel"
	"chapterhouse/pipeline/report"
	"chapterhouse/pipeline/store"
)

const reelFile = "reel.flac"

// leaveReel cuts a title's listening reel beside its deliveries, and has the
// report tell what is heard when in it. A title without files has none.
func leaveReel(ctx context.Context, s store.Store, r *report.Report, out string) error {
	path := filepath.Join(out, r.Slug, reelFile)
	var parts []reel.Part
	if spec, ok := reel.Spec(r.Specs); ok {
		parts = reel.Choose(r.Outcome, spec.Spec)
	}
	if len(parts) == 0 {
		return unlessAbsent(os.Remove(path)) // an earlier run's
	}
	dir, err := os.MkdirTemp(filepath.Dir(path), ".reel-")
	if err != nil {
		return reelError(err)
	}
	defer os.RemoveAll(dir)
	bring := func(ctx context.Context, p reel.Part) (string, error) {
		path := filepath.Join(dir, string(p.Blob)+"."+string(p.Format))
		return path, blobTo(ctx, s, p.Blob, path)
	}
	fresh := filepath.Join(dir, reelFile)
	if err := reel.Cut(ctx, parts, bring, fresh); err != nil {
		return reelError(err)
	}
	if err := os.Rename(fresh, path); err != nil {
		return reelError(err)
	}
	r.Reel = parts
	return nil
}

func reelError(err error) error {
	return pipeline.Errorf(pipeline.KindOf(err), "cut the listening reel", "%w", err)
}

func unlessAbsent(err error) error {
	if os.IsNotExist(err) {
		return nil
	}
	return err
}

package coordinator

import (
	"context"
	"errors"
	"io"
	"slices"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"

	"go.uber.org/zap"
)

// stored wants every file of a run that is about to close in the store. What
// is not there, or not all of it, was lost since it was committed: its commit
// is dropped, so that it is made again. ok: nothing was.
func (p *pass) stored(ctx context.Context, chapters []made) (ok bool, err error) {
	if p.looking {
		return true, nil
	}
	var commits []pipeline.Commit
	for _, m := range chapters {
		for _, f := range m.files {
			commits = append(commits, f.commit)
		}
	}
	there := make([]bool, len(commits))
	err = each(p.c.Looks, len(commits), func(i int) (err error) {
		there[i], err = whole(ctx, p.c.Store, commits[i])
		return err
	})
	if err != nil {
		return false, err
	}
	for i, c := range commits {
		if there[i] {
			continue
		}
		p.c.Log.Warn("a file is not in the store any more: it is made again", zap.String("title", p.title), zap.String("key", c.Key.Short()))
		if err := drop(ctx, p.c.Store, c); err != nil {
			return false, err
		}
		delete(p.known.commits, c.Key)
		clear(p.known.whole)
		p.known.anew = true // the next pass rings for it
	}
	return !slices.Contains(there, false), nil
}

// whole tells whether every file of a commit is in the store, with all its bytes.
func whole(ctx context.Context, s store.Store, c pipeline.Commit) (bool, error) {
	for _, f := range c.Files {
		info, err := s.Stat(ctx, store.BlobName(f.Blob))
		switch {
		case errors.Is(err, store.ErrAbsent) || err == nil && info.Bytes != f.Bytes:
			return false, nil
		case err != nil:
			return false, err
		}
	}
	return true, nil
}

// drop removes a commit whose files are not whole, and those of its blobs that
// are damaged: Put would take them for there.
func drop(ctx context.Context, s store.Store, c pipeline.Commit) error {
	for _, f := range c.Files {
		_, err := store.CopyBlob(ctx, s, f.Blob, io.Discard)
		switch {
		case errors.Is(err, store.ErrDamaged):
			err = s.Delete(ctx, store.BlobName(f.Blob))
		case errors.Is(err, store.ErrAbsent):
			err = nil
		}
		if err != nil {
			return err
		}
	}
	// Someone else may have made it again since it was looked at.
	if there, err := whole(ctx, s, c); err != nil || there {
		return err
	}
	return s.Delete(ctx, commitName(c.Key))
}

package folder

import (
	"context"
	"errors"
	"io/fs"
	"syscall"

	"chapterhouse/pipeline"
)

// explain makes an error of the file system one of kind Infra that says what
// to do.
func explain(path string, err error) error {
	var known *pipeline.Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &known), errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return err
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return pipeline.Errorf(pipeline.Infra, "", "the disk of %s is full; free some space or use --store elsewhere (%w)", path, err)
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return pipeline.Errorf(pipeline.Infra, "", "%s can't be written by this user; change its permissions or use --store elsewhere (%w)", path, err)
	case errors.Is(err, syscall.ENOTDIR), errors.Is(err, fs.ErrExist):
		return pipeline.Errorf(pipeline.Infra, "", "%s has a file where the store needs a folder; move it away or use --store elsewhere (%w)", path, err)
	}
	return pipeline.Errorf(pipeline.Infra, "", "%s: %w; see to that disk or use --store elsewhere", path, err)
}

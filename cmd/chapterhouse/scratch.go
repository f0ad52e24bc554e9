package main

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// openScratch makes a folder of this process's own for job folders, where the
// settings say, else in the store where that is a disk, else in the system's
// folder for temporary files. What workers left there that were killed is
// cleared away: a living one holds a lock on its own.
func openScratch(set settings, s store.Store) (dir string, done func(), err error) {
	parent := set.Scratch
	if local, ok := s.(store.Local); ok && parent == "" {
		parent = local.Scratch()
	}
	if parent == "" {
		parent = os.TempDir()
	}
	dir, done, err = claimScratch(parent)
	if err != nil {
		return "", nil, pipeline.Errorf(pipeline.Infra, "scratch folder", "%w: see that %s can be written and its disk has room, or set scratch to another folder", err, parent)
	}
	return dir, done, nil
}

const scratchName = "chapterhouse-worker-"

func claimScratch(parent string) (dir string, done func(), err error) {
	if err := os.MkdirAll(parent, 0o755); err != nil {
		return "", nil, err
	}
	left, err := filepath.Glob(filepath.Join(parent, scratchName+"*"))
	if err != nil {
		return "", nil, err
	}
	for _, old := range left {
		if f, err := hold(old); err == nil {
			err = os.RemoveAll(old)
			if err := errors.Join(err, f.Close()); err != nil {
				return "", nil, err
			}
		}
	}
	for {
		if dir, err = os.MkdirTemp(parent, scratchName); err != nil {
			return "", nil, err
		}
		// Another that starts may take it for a dead one's until it is held.
		f, err := hold(dir)
		if err != nil {
			continue
		}
		if _, err := os.Stat(dir); err == nil {
			return dir, func() { _ = errors.Join(os.RemoveAll(dir), f.Close()) }, nil
		}
		_ = f.Close()
	}
}

// hold locks a folder, for as long as the file is open and the process lives.
func hold(dir string) (*os.File, error) {
	f, err := os.Open(dir)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close()
		return nil, err
	}
	return f, nil
}

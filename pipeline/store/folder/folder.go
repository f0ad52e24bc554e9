// Package folder is a store on one machine's disk: objects are files under
// their names, so that a person and any other program can read them.
//
// Whatever stands under a name is whole: it was written to a temporary file
// in the same file system, synced, and then linked or renamed into place. The
// folder's own files (.tmp, .lock, .swap) start with a dot, as no object can.
//
// It needs a file system with hard links and flock(2). It does not keep
// anyone from editing the files behind its back.
package folder

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"syscall"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// Store is a folder of objects.
type Store struct {
	dir     string
	root    *os.Root      // no name leads out of it, not even over a link
	scratch string        // this store's own folder below .tmp, within root
	alive   *os.File      // scratch, held by flock: whose scratch is not held is dead
	swap    chan struct{} // holds one token while nobody in this process replaces or deletes
	own     *os.File      // .lock while Lock holds it
}

// Open opens the store in dir, making the folder where there is none, and
// clears away what dead processes left unfinished. Any number of processes may
// have a store open; Lock is for those that must be alone.
func Open(dir string) (*Store, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, explain(dir, err)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, explain(dir, err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, explain(dir, err)
	}
	s := &Store{dir: dir, root: root, swap: make(chan struct{}, 1)}
	s.swap <- struct{}{}
	if err := s.claimScratch(); err != nil {
		_ = root.Close()
		return nil, explain(dir, err)
	}
	return s, nil
}

// Close gives up the lock and removes the scratch folder.
func (s *Store) Close() error {
	err := errors.Join(s.root.RemoveAll(s.scratch), s.alive.Close())
	if s.own != nil {
		err = errors.Join(err, s.own.Close())
	}
	return errors.Join(err, s.root.Close())
}

// Path is the file of an object: see store.Local.
func (s *Store) Path(name string) (string, error) {
	if err := store.CheckName(name); err != nil {
		return "", err
	}
	return filepath.Join(s.dir, filepath.FromSlash(name)), nil
}

// Scratch is a folder beside the objects: see store.Local.
func (s *Store) Scratch() string { return filepath.Join(s.dir, s.scratch) }

// Get opens a range of an object.
func (s *Store) Get(ctx context.Context, name string, off, n int64) (io.ReadCloser, error) {
	if err := begin(ctx, store.CheckName(name)); err != nil {
		return nil, err
	}
	if off < 0 {
		return nil, pipeline.Errorf(pipeline.Bug, "", "%s: read from offset %d", name, off)
	}
	f, size, err := s.open(name)
	if err != nil {
		return nil, err
	}
	rest := max(size-off, 0)
	if n < 0 || n > rest {
		n = rest
	}
	return &section{io.NewSectionReader(f, off, n), f}, nil
}

type section struct {
	io.Reader
	io.Closer
}

// open opens an object's file.
func (s *Store) open(name string) (*os.File, int64, error) {
	if err := s.find(name); err != nil {
		return nil, 0, err
	}
	f, err := s.root.Open(filepath.FromSlash(name))
	if err != nil {
		return nil, 0, s.unread(name, err)
	}
	info, err := f.Stat()
	if err != nil {
		_ = f.Close()
		return nil, 0, s.unread(name, err)
	}
	return f, info.Size(), nil
}

// find is nil where there is an object: a file, not a folder nor a link.
func (s *Store) find(name string) error {
	info, err := s.root.Lstat(filepath.FromSlash(name))
	if err == nil && !info.Mode().IsRegular() {
		err = fs.ErrNotExist
	}
	return s.unread(name, err)
}

// Stat describes an object.
func (s *Store) Stat(ctx context.Context, name string) (store.Info, error) {
	if err := begin(ctx, store.CheckName(name)); err != nil {
		return store.Info{}, err
	}
	return s.stat(name)
}

// stat takes a blob's version from its name, which only its bytes can have,
// and another object's from its bytes, which are few.
func (s *Store) stat(name string) (store.Info, error) {
	f, size, err := s.open(name)
	if err != nil {
		return store.Info{}, err
	}
	defer f.Close()
	if d, ok := store.BlobDigest(name); ok {
		return store.Info{Name: name, Bytes: size, Version: store.Version(d)}, nil
	}
	d, size, err := pipeline.DigestReader(f)
	if err != nil {
		return store.Info{}, s.unread(name, err)
	}
	return store.Info{Name: name, Bytes: size, Version: store.Version(d)}, nil
}

// List walks the folders in the order that their full names have.
func (s *Store) List(ctx context.Context, prefix string, each func(store.Info) error) error {
	if err := begin(ctx, store.CheckPrefix(prefix)); err != nil {
		return err
	}
	dir := ""
	if i := strings.LastIndexByte(prefix, '/'); i >= 0 {
		dir = prefix[:i]
	}
	return s.walk(ctx, dir, prefix, each)
}

func (s *Store) walk(ctx context.Context, dir, prefix string, each func(store.Info) error) error {
	names, err := s.children(dir)
	if err != nil {
		return err
	}
	for _, child := range names {
		if err := ctx.Err(); err != nil {
			return err
		}
		name := path.Join(dir, child)
		if strings.HasSuffix(child, "/") {
			if strings.HasPrefix(name+"/", prefix) || strings.HasPrefix(prefix, name+"/") {
				err = s.walk(ctx, name, prefix, each)
			}
		} else if strings.HasPrefix(name, prefix) {
			err = s.show(name, each)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// show calls each for an object, unless it was deleted meanwhile.
func (s *Store) show(name string, each func(store.Info) error) error {
	info, err := s.stat(name)
	if errors.Is(err, store.ErrAbsent) {
		return nil
	}
	if err != nil {
		return err
	}
	return each(info)
}

// children are the objects and folders (with a slash at the end) of a folder,
// in the order that the names below them have: "a-b" before "a/b".
func (s *Store) children(dir string) ([]string, error) {
	name := dir
	if name == "" {
		name = "."
	}
	entries, err := s.readDir(name)
	if err = s.unread(dir, err); err != nil {
		if errors.Is(err, store.ErrAbsent) {
			err = nil
		}
		return nil, err
	}
	var names []string
	for _, e := range entries {
		switch {
		case store.CheckName(e.Name()) != nil: // not the store's
		case e.IsDir():
			names = append(names, e.Name()+"/")
		case e.Type().IsRegular():
			names = append(names, e.Name())
		}
	}
	slices.Sort(names)
	return names, nil
}

func (s *Store) readDir(dir string) ([]fs.DirEntry, error) {
	f, err := s.root.Open(filepath.FromSlash(dir))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return f.ReadDir(-1)
}

// Delete removes an object's file. Its folders stay: another writer may be
// about to use them.
func (s *Store) Delete(ctx context.Context, name string) error {
	if err := begin(ctx, store.CheckName(name)); err != nil {
		return err
	}
	unlock, err := s.lockSwap(ctx)
	if err != nil {
		return err
	}
	defer unlock()
	if err := s.find(name); err != nil {
		if errors.Is(err, store.ErrAbsent) {
			return nil
		}
		return err
	}
	if err := s.root.Remove(filepath.FromSlash(name)); err != nil {
		return s.explain(name, err)
	}
	return s.explain(name, s.syncDir(path.Dir(name)))
}

// begin is how every method starts.
func begin(ctx context.Context, checked error) error {
	if checked != nil {
		return checked
	}
	return ctx.Err()
}

// unread is the caller's error for a file that could not be read.
func (s *Store) unread(name string, err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENOTDIR): // a file where the name has a folder
		return fmt.Errorf("%s: %w", name, store.ErrAbsent)
	}
	return s.explain(name, err)
}

func (s *Store) explain(name string, err error) error {
	return explain(filepath.Join(s.dir, filepath.FromSlash(name)), err)
}

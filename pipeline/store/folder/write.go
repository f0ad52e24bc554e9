package folder

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"syscall"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

const (
	blobMode   = 0o444 // nobody writes what others may have linked
	objectMode = 0o644
)

// Put stores a blob.
func (s *Store) Put(ctx context.Context, d pipeline.Digest, from io.ReadSeeker) error {
	if err := begin(ctx, store.CheckDigest(d)); err != nil {
		return err
	}
	name := store.BlobName(d)
	if _, err := s.root.Lstat(filepath.FromSlash(name)); err == nil {
		// Another writer may have renamed but not yet synced.
		return s.explain(name, s.syncDir(path.Dir(name)))
	}
	if _, err := from.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("store blob %s: read it from the start: %w", d.Short(), err)
	}
	h := sha256.New()
	tmp, err := s.writeTemp(ctx, io.TeeReader(from, h), blobMode)
	if err != nil {
		return err
	}
	defer s.dropTemp(tmp)
	if pipeline.DigestSum(h) != d {
		return fmt.Errorf("store blob %s: %w", d.Short(), store.ErrDamaged)
	}
	if err := s.makeDir(path.Dir(name)); err != nil {
		return s.explain(name, err)
	}
	if err := s.root.Rename(tmp, filepath.FromSlash(name)); err != nil {
		return s.explain(name, err)
	}
	return s.explain(name, s.syncDir(path.Dir(name)))
}

// Swap creates or replaces an object.
func (s *Store) Swap(ctx context.Context, name string, old store.Version, data []byte) (store.Version, error) {
	if err := begin(ctx, store.CheckSwap(name, data)); err != nil {
		return store.Absent, err
	}
	tmp, err := s.writeTemp(ctx, bytes.NewReader(data), objectMode)
	if err != nil {
		return store.Absent, err
	}
	defer s.dropTemp(tmp)
	place := s.replace
	if old == store.Absent {
		place = s.create
	}
	if err := place(ctx, tmp, name, old); err != nil {
		return store.Absent, err
	}
	return store.Version(pipeline.DigestOf(data)), nil
}

// create links tmp to a name that no file has: link(2) never replaces one.
// Where there are no hard links the swap lock has to do.
func (s *Store) create(ctx context.Context, tmp, name string, _ store.Version) error {
	if err := s.makeDir(path.Dir(name)); err != nil {
		return s.explain(name, err)
	}
	err := s.root.Link(tmp, filepath.FromSlash(name))
	if errors.Is(err, syscall.EPERM) || errors.Is(err, errors.ErrUnsupported) {
		return s.replace(ctx, tmp, name, store.Absent)
	}
	// Who loses may go by what stands there, so it is made durable as well.
	if synced := s.syncDir(path.Dir(name)); synced != nil && err == nil {
		err = synced
	}
	if errors.Is(err, fs.ErrExist) && s.find(name) == nil {
		return fmt.Errorf("%s: %w", name, store.ErrConflict)
	}
	return s.explain(name, err)
}

// replace renames tmp over an object that is at version old. Whoever replaces
// or deletes holds the lock file; readers need no lock, they see the old file
// or the new one.
func (s *Store) replace(ctx context.Context, tmp, name string, old store.Version) error {
	unlock, err := s.lockSwap(ctx)
	if err != nil {
		return err
	}
	defer unlock()
	now, err := s.stat(name)
	if err != nil && !errors.Is(err, store.ErrAbsent) {
		return err
	}
	if now.Version != old {
		return fmt.Errorf("%s: %w", name, store.ErrConflict)
	}
	if err := s.root.Rename(tmp, filepath.FromSlash(name)); err != nil {
		return s.explain(name, err)
	}
	return s.explain(name, s.syncDir(path.Dir(name)))
}

// writeTemp writes a file of its own in the scratch folder, synced, and
// returns its name; after an error nothing is left. An error of from is
// returned as it is.
func (s *Store) writeTemp(ctx context.Context, from io.Reader, mode fs.FileMode) (name string, err error) {
	tmp := filepath.Join(s.scratch, "put-"+rand.Text())
	f, err := s.root.OpenFile(tmp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return "", explain(s.dir, err)
	}
	defer func() {
		if err != nil {
			_ = f.Close()
			s.dropTemp(tmp)
		}
	}()
	to := &target{f: f}
	if _, err = io.Copy(to, &interruptible{ctx, from}); err != nil {
		if to.failed {
			err = explain(s.dir, err)
		}
		return "", err
	}
	if err = f.Sync(); err != nil {
		return "", explain(s.dir, err)
	}
	if err = f.Close(); err != nil {
		return "", explain(s.dir, err)
	}
	return tmp, nil
}

// dropTemp removes what was not renamed.
func (s *Store) dropTemp(tmp string) { _ = s.root.Remove(tmp) }

// interruptible stops reading when its context is done.
type interruptible struct {
	ctx  context.Context
	from io.Reader
}

func (r *interruptible) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.from.Read(p)
}

// target tells errors of the disk from those of the source.
type target struct {
	f      *os.File
	failed bool
}

func (w *target) Write(p []byte) (int, error) {
	n, err := w.f.Write(p)
	w.failed = w.failed || err != nil
	return n, err
}

// makeDir makes a folder and what is above it, durably.
func (s *Store) makeDir(dir string) error {
	err := s.root.Mkdir(filepath.FromSlash(dir), 0o755)
	switch {
	case err == nil:
		return s.syncDir(path.Dir(dir))
	case errors.Is(err, fs.ErrExist):
		return nil
	case !errors.Is(err, fs.ErrNotExist):
		return err
	}
	if err := s.makeDir(path.Dir(dir)); err != nil {
		return err
	}
	return s.makeDir(dir)
}

// syncDir makes the names in a folder durable.
func (s *Store) syncDir(dir string) error {
	f, err := s.root.Open(filepath.FromSlash(dir))
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

package folder

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"chapterhouse/pipeline"
)

const (
	tempDir  = ".tmp"
	lockFile = ".lock"
	swapFile = ".swap"
)

// Lock makes this process the only one that may Lock the store, until Close or
// the end of the process, however it ends. The error says who holds it.
func (s *Store) Lock() error {
	if s.own != nil {
		return nil
	}
	f, err := s.root.OpenFile(lockFile, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return explain(s.dir, err)
	}
	if err := flock(f, syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		defer f.Close()
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return explain(s.dir, err)
		}
		return pipeline.Errorf(pipeline.Infra, "", "%s is in use%s; wait for it or use --store elsewhere", s.dir, holder(f))
	}
	_ = f.Truncate(0) // what stands in it only helps the message above
	_, _ = fmt.Fprintf(f, "%d %s\n", os.Getpid(), time.Now().Format(time.RFC3339))
	s.own = f
	return nil
}

// holder reads who wrote the lock file; nothing where they have not yet.
func holder(f io.Reader) string {
	var pid int
	var at string
	if _, err := fmt.Fscan(f, &pid, &at); err != nil {
		return ""
	}
	since, err := time.Parse(time.RFC3339, at)
	if err != nil {
		return ""
	}
	form := "15:04"
	if time.Since(since) > 12*time.Hour {
		form = "2 January 15:04"
	}
	return fmt.Sprintf(" by process %d since %s", pid, since.Local().Format(form))
}

// lockSwap takes the lock under which objects are replaced, among goroutines
// and among processes, and returns what gives it back.
func (s *Store) lockSwap(ctx context.Context) (unlock func(), err error) {
	select {
	case <-s.swap:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	f, err := s.root.OpenFile(swapFile, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		s.swap <- struct{}{}
		return nil, explain(s.dir, err)
	}
	unlock = func() {
		_ = f.Close()
		s.swap <- struct{}{}
	}
	// Never a blocking flock: a stopped process must not stop this one for good.
	for {
		err := flock(f, syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil {
			return unlock, nil
		}
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			unlock()
			return nil, explain(s.dir, err)
		}
		select {
		case <-ctx.Done():
			unlock()
			return nil, ctx.Err()
		case <-time.After(2 * time.Millisecond):
		}
	}
}

// claimScratch makes this store's scratch folder and removes those of dead
// processes: a living one holds a lock on its own, which ends with it. All of
// it happens under the swap lock, so that nobody meets a folder not yet held.
func (s *Store) claimScratch() error {
	unlock, err := s.lockSwap(context.Background())
	if err != nil {
		return err
	}
	defer unlock()
	if err := s.root.Mkdir(tempDir, 0o755); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	if err := s.clearDead(); err != nil {
		return err
	}
	s.scratch = filepath.Join(tempDir, rand.Text())
	if err := s.root.Mkdir(s.scratch, 0o755); err != nil {
		return err
	}
	if s.alive, err = s.root.Open(s.scratch); err != nil {
		return err
	}
	return flock(s.alive, syscall.LOCK_EX|syscall.LOCK_NB)
}

func (s *Store) clearDead() error {
	entries, err := s.readDir(tempDir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		dir := filepath.Join(tempDir, e.Name())
		f, err := s.root.Open(dir)
		if err != nil {
			continue // its owner was about to close
		}
		if flock(f, syscall.LOCK_EX|syscall.LOCK_NB) == nil {
			err = s.root.RemoveAll(dir)
		}
		_ = f.Close()
		if err != nil {
			return err
		}
	}
	return nil
}

func flock(f *os.File, how int) error {
	for {
		err := syscall.Flock(int(f.Fd()), how)
		if !errors.Is(err, syscall.EINTR) {
			return err
		}
	}
}

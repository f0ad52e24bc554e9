package folder

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/storetest"
)

func open(t *testing.T, dir string) *Store {
	t.Helper()
	s, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	})
	return s
}

func TestStore(t *testing.T) {
	storetest.Exercise(t, func(t *testing.T) store.Store { return open(t, t.TempDir()) })
}

// TestOpenAgain finds what an earlier store stored.
func TestOpenAgain(t *testing.T) {
	dir := t.TempDir()
	first, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	v, err := first.Swap(t.Context(), "titles/t/title.json", store.Absent, []byte("1"))
	if err := errors.Join(err, first.Close()); err != nil {
		t.Fatal(err)
	}
	if _, err := open(t, dir).Swap(t.Context(), "titles/t/title.json", v, []byte("2")); err != nil {
		t.Error(err)
	}
}

func TestBlobFile(t *testing.T) {
	s := open(t, t.TempDir())
	data := []byte("RIFF and so on")
	d := pipeline.DigestOf(data)
	if err := s.Put(t.Context(), d, bytes.NewReader(data)); err != nil {
		t.Fatal(err)
	}
	var local store.Local = s
	path, err := local.Path(store.BlobName(d))
	if err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o444 {
		t.Errorf("a blob's file has mode %v, %v; want 0444", info.Mode(), err)
	}
	job := filepath.Join(local.Scratch(), "input.wav")
	if err := os.Link(path, job); err != nil {
		t.Errorf("link a blob into a job's folder: %v", err)
	}
	got, err := os.ReadFile(job)
	if err != nil || !bytes.Equal(got, data) {
		t.Errorf("the link holds %q, %v", got, err)
	}
	if _, err := local.Path("../etc/passwd"); pipeline.KindOf(err) != pipeline.Bug {
		t.Errorf("Path out of the store: %v", err)
	}
}

// TestLinks: what is no plain file is no object, wherever it points.
func TestLinks(t *testing.T) {
	outside := t.TempDir()
	if err := os.WriteFile(filepath.Join(outside, "secret.json"), []byte("secret"), 0o644); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	s := open(t, dir)
	if _, err := s.Swap(t.Context(), "titles/t/title.json", store.Absent, []byte("1")); err != nil {
		t.Fatal(err)
	}
	for link, target := range map[string]string{
		"titles/secret.json": filepath.Join(outside, "secret.json"),
		"outside":            outside,
		"titles/inside":      "t",
		"titles/loop":        ".",
		"titles/copy.json":   "t/title.json",
	} {
		if err := os.Symlink(target, filepath.Join(dir, link)); err != nil {
			t.Fatal(err)
		}
	}
	if err := syscall.Mkfifo(filepath.Join(dir, "titles/pipe"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "Notes.txt"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"titles/secret.json", "titles/copy.json", "titles/pipe"} {
		if _, err := s.Get(t.Context(), name, 0, -1); !errors.Is(err, store.ErrAbsent) {
			t.Errorf("Get %s: %v, want ErrAbsent", name, err)
		}
	}
	if _, err := s.Get(t.Context(), "outside/secret.json", 0, -1); err == nil {
		t.Error("Get led out of the store")
	}
	if _, err := s.Swap(t.Context(), "outside/new.json", store.Absent, nil); err == nil {
		t.Error("Swap led out of the store")
	}
	var names []string
	err := s.List(t.Context(), "", func(i store.Info) error { names = append(names, i.Name); return nil })
	if err != nil || len(names) != 1 || names[0] != "titles/t/title.json" {
		t.Errorf("List: %q, %v", names, err)
	}
}

// TestFileWhereAFolderShouldBe says so and does not loop.
func TestFileWhereAFolderShouldBe(t *testing.T) {
	s := open(t, t.TempDir())
	create := func(name string) error {
		_, err := s.Swap(t.Context(), name, store.Absent, nil)
		return err
	}
	if err := create("titles/t"); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"titles/t/title.json", "titles/t/runs/1/plan.json", "titles"} {
		err := create(name)
		if pipeline.KindOf(err) != pipeline.Infra || errors.Is(err, store.ErrConflict) || errors.Is(err, store.ErrAbsent) || !strings.Contains(fmt.Sprint(err), name) {
			t.Errorf("create %s: %v", name, err)
		}
	}
	path := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(path, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(path); pipeline.KindOf(err) != pipeline.Infra || !strings.Contains(fmt.Sprint(err), path) {
		t.Errorf("Open of a file: %v", err)
	}
}

// TestCreateWithoutHardLinks takes the way of file systems that have none.
func TestCreateWithoutHardLinks(t *testing.T) {
	s := open(t, t.TempDir())
	var wg sync.WaitGroup
	results := make(chan error, 16)
	for range 16 {
		wg.Go(func() {
			tmp, err := s.writeTemp(t.Context(), strings.NewReader("x"), objectMode)
			if err == nil {
				err = s.replace(t.Context(), tmp, "a", store.Absent)
			}
			results <- err
		})
	}
	wg.Wait()
	close(results)
	won := 0
	for err := range results {
		if err == nil {
			won++
		} else if !errors.Is(err, store.ErrConflict) {
			t.Error(err)
		}
	}
	if won != 1 {
		t.Errorf("%d created it, want 1", won)
	}
}

func TestExplain(t *testing.T) {
	for _, c := range []struct {
		err  error
		want string
	}{
		{&fs.PathError{Op: "write", Path: "x", Err: syscall.ENOSPC}, "the disk of /h/.chapterhouse is full; free some space"},
		{&fs.PathError{Op: "write", Path: "x", Err: syscall.EDQUOT}, "is full"},
		{&fs.PathError{Op: "open", Path: "x", Err: syscall.EACCES}, "can't be written by this user; change its permissions"},
		{&fs.PathError{Op: "open", Path: "x", Err: syscall.EROFS}, "can't be written"},
		{&fs.PathError{Op: "read", Path: "x", Err: syscall.EIO}, "see to that disk"},
	} {
		err := explain("/h/.chapterhouse", c.err)
		if pipeline.KindOf(err) != pipeline.Infra || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "/h/.chapterhouse") || !errors.Is(err, c.err) {
			t.Errorf("%v: %v, want %q in it", c.err, err, c.want)
		}
	}
}

func BenchmarkPut(b *testing.B) {
	s, err := Open(b.TempDir())
	if err != nil {
		b.Fatal(err)
	}
	data := make([]byte, 32<<20)
	b.SetBytes(int64(len(data)))
	for i := 0; b.Loop(); i++ {
		copy(data, fmt.Sprint(i))
		if err := s.Put(b.Context(), pipeline.DigestOf(data), bytes.NewReader(data)); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCreate(b *testing.B) {
	s, err := Open(b.TempDir())
	if err != nil {
		b.Fatal(err)
	}
	for i := 0; b.Loop(); i++ {
		if _, err := s.Swap(b.Context(), fmt.Sprintf("commits/%d.json", i), store.Absent, []byte("{}")); err != nil {
			b.Fatal(err)
		}
	}
}

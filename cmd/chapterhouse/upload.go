package main

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"syscall"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/intake"
	"chapterhouse/pipeline/store"
)

// prepare says to w what a title's sources are, uploads them and returns what
// to submit. again forgives what of the title was given up.
func prepare(ctx context.Context, s store.Store, t openedTitle, again bool, w io.Writer, say func(done, of int64)) (pipeline.Submission, intake.Answer, error) {
	known := seenFor(s)
	l, err := glance(ctx, s, t, readSeen(known), w)
	if err != nil {
		return pipeline.Submission{}, l.Answer, err
	}
	sub, err := upload(ctx, s, t, known, say)
	if err == nil {
		err = l.uploaded(sub, w)
	}
	if err == nil && again {
		sub.Again, err = coordinator.Forgive(ctx, s, sub.Title.Slug)
	}
	return sub, l.Answer, err
}

// upload puts a title's sources into the store and returns what to submit. A
// file that is as it was when it was last read, as the file known says, is not
// read again.
func upload(ctx context.Context, s store.Store, t openedTitle, known string, say func(done, of int64)) (pipeline.Submission, error) {
	sub := pipeline.Submission{
		House: t.house.Settings.House, Settings: t.house.Settings, Title: t.title, Narrators: map[string]pipeline.Narrator{},
		Specs: t.specs, Decisions: t.decisions, Notes: t.notes,
	}
	seen := readSeen(known)
	defer seen.write()
	files := filesOf(t.title)
	var total, done int64
	for _, name := range files {
		if info, err := os.Stat(filepath.Join(t.folder, name)); err == nil {
			total += info.Size()
		}
	}
	for _, name := range files {
		src, err := seen.put(ctx, s, filepath.Join(t.folder, name))
		if errors.Is(err, os.ErrNotExist) {
			continue // the plan names what is not there; the other chapters go on
		}
		if err != nil {
			return sub, err
		}
		src.Path = name
		sub.Sources = append(sub.Sources, src)
		done += src.Bytes
		say(done, total)
	}
	for _, ch := range t.title.Chapters {
		for _, part := range ch.Parts {
			who := part.Narrator
			if who == "" {
				who = t.title.Narrator
			}
			if n, ok := t.house.Narrators[who]; ok {
				sub.Narrators[who] = n
			}
		}
	}
	return sub, nil
}

// filesOf is the title's files, each once, in the order of its chapters.
func filesOf(t pipeline.Title) []string {
	var files []string
	known := map[string]bool{}
	for _, ch := range t.Chapters {
		for _, part := range ch.Parts {
			if !known[part.File] {
				known[part.File] = true
				files = append(files, part.File)
			}
		}
	}
	return files
}

// seenFiles remembers what was read: by path, size, time of change and inode.
// It is a shortcut of this machine, not an object of the store.
type seenFiles struct {
	path  string
	Files map[string]seenFile `json:"files"`
}

type seenFile struct {
	Bytes   int64           `json:"bytes"`
	ModNano int64           `json:"mod_ns"`
	Inode   uint64          `json:"inode"`
	Blob    pipeline.Digest `json:"blob"`
}

func readSeen(path string) *seenFiles {
	s := &seenFiles{path: path, Files: map[string]seenFile{}}
	if text, err := os.ReadFile(s.path); err == nil && json.Unmarshal(text, s) != nil {
		s.Files = map[string]seenFile{} // unreadable: read the sources again
	}
	return s
}

// write keeps what was seen; where it can't, the sources are read again.
func (s *seenFiles) write() {
	text, err := json.Marshal(s)
	if err != nil || s.path == "" {
		return
	}
	f, err := os.CreateTemp(filepath.Dir(s.path), ".seen-") // others may write theirs now
	if err != nil {
		return
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), s.path)
	}
	if err != nil {
		_ = os.Remove(f.Name())
	}
}

// seenFor is where what was seen is kept: beside a store in a folder, else
// with this user's other caches; nowhere where there is no such place.
func seenFor(s store.Store) string {
	if local, ok := s.(store.Local); ok {
		path, _ := local.Path("seen.json") // it is a name
		return path
	}
	caches, err := os.UserCacheDir()
	if err != nil {
		return ""
	}
	dir := filepath.Join(caches, "chapterhouse")
	if os.MkdirAll(dir, 0o700) != nil {
		return ""
	}
	return filepath.Join(dir, "seen.json")
}

// seenNow is a file as it is now, without its digest.
func seenNow(info os.FileInfo) seenFile {
	now := seenFile{Bytes: info.Size(), ModNano: info.ModTime().UnixNano()}
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		now.Inode = st.Ino
	}
	return now
}

// digest is a file's, "" where it is not as it was last seen, and its length,
// -1 where it is not there.
func (s *seenFiles) digest(path string) (pipeline.Digest, int64) {
	info, err := os.Stat(path)
	if err != nil {
		return "", -1
	}
	now, old := seenNow(info), s.Files[path]
	if now.Blob = old.Blob; now == old {
		return old.Blob, old.Bytes
	}
	return "", info.Size()
}

// put brings one file into the store, unless it is known to be there.
func (s *seenFiles) put(ctx context.Context, to store.Store, path string) (pipeline.SourceFile, error) {
	f, err := os.Open(path)
	if err != nil {
		return pipeline.SourceFile{}, pipeline.Errorf(pipeline.House, "", "%w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return pipeline.SourceFile{}, pipeline.Errorf(pipeline.House, "", "%w", err)
	}
	now := seenNow(info)
	if old := s.Files[path]; old.Blob != "" {
		now.Blob = old.Blob
		if old == now {
			if _, err := to.Stat(ctx, store.BlobName(old.Blob)); err == nil {
				return pipeline.SourceFile{Blob: old.Blob, Bytes: old.Bytes}, nil
			}
		}
	}
	blob, n, err := pipeline.DigestReader(f)
	if err != nil {
		return pipeline.SourceFile{}, pipeline.Errorf(pipeline.House, "read "+path, "%w", err)
	}
	if err := to.Put(ctx, blob, f); err != nil {
		return pipeline.SourceFile{}, err
	}
	now.Blob, now.Bytes = blob, n
	s.Files[path] = now
	return pipeline.SourceFile{Blob: blob, Bytes: n}, nil
}

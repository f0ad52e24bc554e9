package house

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

// A reader reads files below a folder and gathers what is wrong with them.
type reader struct {
	root   *os.Root
	prefix string // of file names in faults: from the house's root
	faults []Fault
	unread []pipeline.Finding // texts that can't be used
}

// open opens a folder of the house whose root is given, both absolute.
func open(house, folder string) (*reader, error) {
	op := "open " + filepath.Base(folder)
	rel, err := filepath.Rel(house, folder)
	if err != nil || !filepath.IsLocal(rel) {
		return nil, pipeline.Errorf(pipeline.House, op, "the folder lies outside the house at %s; give one inside it", house)
	}
	root, err := os.OpenRoot(house)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.House, op, "%w", err)
	}
	if rel == "." {
		return &reader{root: root}, nil
	}
	defer root.Close()
	inner, err := root.OpenRoot(rel)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.House, op, "%w", err)
	}
	return &reader{root: inner, prefix: filepath.ToSlash(rel)}, nil
}

func (r *reader) close()               { _ = r.root.Close() }
func (r *reader) say(faults ...Fault)  { r.faults = append(r.faults, faults...) }
func (r *reader) err() error           { return strict.AsError(r.faults) }
func (r *reader) name(f string) string { return path.Join(r.prefix, f) }

// read reads a document into a struct; nil, and a fault said, where there is
// none to read.
func (r *reader) read(file string, into any) *strict.Node {
	text, ok := r.text(file)
	if !ok {
		return nil
	}
	n, faults := strict.Parse(text, r.name(file))
	r.say(faults...)
	if n == nil {
		return nil
	}
	r.say(strict.Decode(n, "the file", into)...)
	return n
}

// text is a document's content, as content gives it.
func (r *reader) text(file string) ([]byte, bool) { return r.content(file, strict.MaxBytes) }

// content is what a file holds. A file that is missing or no regular file is a
// fault; of one that is longer than most comes that it is longer.
func (r *reader) content(file string, most int64) ([]byte, bool) {
	info, err := r.root.Lstat(file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		r.say(Fault{File: r.name(file), Text: "the file is missing; write it"})
		return nil, false
	case err != nil:
		r.say(Fault{File: r.name(file), Text: "the file can't be read (" + reason(err) + "); check its folder and permissions"})
		return nil, false
	case !info.Mode().IsRegular():
		r.say(Fault{File: r.name(file), Text: "this is no regular file; put the file itself here, not a link or folder"})
		return nil, false
	case info.Size() > most:
		return make([]byte, most+1), true // refused by its length
	}
	text, err := r.root.ReadFile(file)
	if err != nil {
		r.say(Fault{File: r.name(file), Text: "the file can't be read (" + reason(err) + "); check its permissions"})
		return nil, false
	}
	return text, true
}

// upTo is what a file begins with, at most so many bytes.
func (r *reader) upTo(file string, n int64) ([]byte, error) {
	f, err := r.root.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, n))
}

// reason is what lies below an error of the file system, without its path.
func reason(err error) string {
	var e *fs.PathError
	if errors.As(err, &e) {
		return e.Err.Error()
	}
	return err.Error()
}

// list is the names in a folder, sorted, hidden ones left out; none where
// there is no such folder.
func (r *reader) list(folder string) []string {
	entries, err := fs.ReadDir(r.root.FS(), folder)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		r.say(Fault{File: r.name(folder), Text: "the folder can't be read (" + reason(err) + "); check its permissions"})
	}
	var names []string
	for _, e := range entries {
		if e.Name()[0] != '.' {
			names = append(names, e.Name())
		}
	}
	slices.Sort(names)
	return names
}

func (r *reader) isFolder(name string) bool {
	info, err := r.root.Lstat(name)
	return err == nil && info.IsDir()
}

// source wants a regular file within the folder; at is where it is named.
func (r *reader) source(file string, at Fault) {
	if !isLocal(file) {
		return // refused by its form
	}
	if is, ok := r.regular(file); !ok {
		at.Text = file + " " + is
		r.say(at)
	}
}

// regular tells whether a file of the folder is one to read; else what it is, and
// what to do.
func (r *reader) regular(file string) (is string, ok bool) {
	info, err := r.root.Lstat(file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if near := strict.Near(file, r.list(".")); near != "" {
			return "is not in the title's folder; did you mean " + near + "?", false
		}
		return "is not in the title's folder; put it there, or correct the name", false
	case err != nil:
		return "can't be read (" + reason(err) + "); check its folder and permissions", false
	case !info.Mode().IsRegular():
		return "is no regular file; put the file itself here, not a link or folder", false
	}
	return "", true
}

func (r *reader) has(file string) bool {
	_, err := r.root.Lstat(file)
	return err == nil
}

package stored

import (
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path"
	"path/filepath"
	"strings"
	"unicode/utf8"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house/strict"
)

// maxPath and maxElement keep a file's path to what every file system takes,
// with room for a mark on the name while the file is written.
const (
	maxPath    = 900
	maxElement = 200
)

// checkPath refuses a path that is none of a house's YAML files.
func checkPath(name string) error {
	if len(name) > maxPath || !fs.ValidPath(name) || !filepath.IsLocal(filepath.FromSlash(name)) {
		return errors.New("leads out of the house or is too long")
	}
	for element := range strings.SplitSeq(name, "/") {
		var n strict.Name
		if err := n.UnmarshalText([]byte(element)); err != nil {
			return err
		}
		if element[0] == '.' || len(element) > maxElement {
			return errors.New("is hidden or too long")
		}
	}
	if !ofHouse(name) {
		return errors.New("is none of a house's files")
	}
	return nil
}

// ofHouse tells whether a path has the form of a house's YAML files.
func ofHouse(name string) bool {
	top, rest, below := strings.Cut(name, "/")
	switch {
	case path.Ext(name) != ".yaml":
		return false
	case top == "narrators" || top == "specs":
		return below
	case top == "titles":
		return strings.Count(rest, "/") == 1
	}
	return name == "house.yaml"
}

// mayHold tells whether a folder may hold files of a house, or folders that do.
func mayHold(dir string) bool {
	top, rest, _ := strings.Cut(dir, "/")
	switch {
	case dir == ".":
		return true
	case path.Base(dir)[0] == '.':
		return false
	case top == "titles":
		return !strings.Contains(rest, "/")
	}
	return top == "narrators" || top == "specs"
}

// parents are the folders that a path lies in, the nearest first, without the root.
func parents(name string) iter.Seq[string] {
	return func(yield func(string) bool) {
		for dir := path.Dir(name); dir != "." && dir != "/" && yield(dir); dir = path.Dir(dir) {
		}
	}
}

// scan reads a folder's house files. What stands where such a file would, and
// can't be sent, is a fault.
func scan(root *os.Root) (map[string][]byte, []strict.Fault, error) {
	texts := map[string][]byte{}
	var faults []strict.Fault
	total := 0
	err := fs.WalkDir(root.FS(), ".", func(name string, d fs.DirEntry, err error) error {
		say := func(text string) { faults = append(faults, strict.Fault{File: name, Text: text}) }
		switch {
		case err != nil:
			return err
		case d.IsDir() && !mayHold(name):
			return fs.SkipDir
		case d.IsDir() && !utf8.ValidString(name):
			say("the folder's name is not UTF-8 text; rename it")
			return fs.SkipDir
		case d.IsDir():
			return nil
		case d.Type()&fs.ModeSymlink != 0 && mayHold(name) && leadsToFolder(root, name):
			say("this is a link to a folder; put the folder itself here")
			return nil
		case path.Base(name)[0] == '.' || !ofHouse(name):
			return nil
		case !d.Type().IsRegular():
			say("this is no regular file; put the file itself here, not a link or folder")
			return nil
		}
		if err := checkPath(name); err != nil {
			say("the file's name " + err.Error() + "; rename it")
			return nil
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		if info.Size() > strict.MaxBytes {
			say("the file is over 64 KiB; split it or remove what doesn't belong there")
			return nil
		}
		text, err := root.ReadFile(name)
		if err != nil {
			return err
		}
		if total += len(text); total > maxTotal {
			return fmt.Errorf("the house's YAML files are over %d MiB together; remove what doesn't belong there", maxTotal>>20)
		}
		texts[name] = text
		return nil
	})
	if err != nil {
		return nil, nil, pipeline.Errorf(pipeline.House, "read "+root.Name(), "%w", err)
	}
	return texts, faults, nil
}

func leadsToFolder(root *os.Root, name string) bool {
	info, err := os.Stat(filepath.Join(root.Name(), filepath.FromSlash(name)))
	return err == nil && info.IsDir()
}

// digests names the bytes of files.
func digests(texts map[string][]byte) files {
	f := files{}
	for name, text := range texts {
		f[name] = pipeline.DigestOf(text)
	}
	return f
}

// write writes a file below root, whole or not at all.
func write(root *os.Root, name string, text []byte) error {
	dir, base := path.Split(name)
	if dir != "" {
		if err := root.MkdirAll(strings.TrimSuffix(dir, "/"), 0o755); err != nil {
			return err
		}
	}
	part := dir + "." + base + ".part"
	if err := root.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err // what a call that was cut off left, or a link that someone laid there
	}
	f, err := root.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = root.Rename(part, name)
	}
	if err != nil {
		_ = root.Remove(part)
	}
	return err
}

// remove removes a file below root, and the folders that it leaves empty.
func remove(root *os.Root, name string) error {
	if err := root.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for dir := range parents(name) {
		if root.Remove(dir) != nil {
			break // something else is in it
		}
	}
	return nil
}

// stands tells whether a file below root has just these bytes; "" is no file.
func stands(root *os.Root, name string, want pipeline.Digest) bool {
	info, err := root.Lstat(name)
	if err != nil || !info.Mode().IsRegular() {
		return want == "" && errors.Is(err, fs.ErrNotExist)
	}
	text, err := root.ReadFile(name)
	return err == nil && pipeline.DigestOf(text) == want
}

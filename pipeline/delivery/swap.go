package delivery

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// beside is a hidden neighbour of a delivery's folder, in its file system.
func beside(dir, what string) string {
	return filepath.Join(filepath.Dir(dir), "."+filepath.Base(dir)+"."+what)
}

// swap puts the new folder in dir's place. What a person had laid beside the
// delivered files moves along last, so that no moment leaves it in a folder
// that is thrown away.
func swap(dir string) error {
	if err := os.Rename(dir, beside(dir, "old")); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err := os.Rename(beside(dir, "new"), dir); err != nil {
		return errors.Join(err, settle(dir))
	}
	return settle(dir)
}

// settle finishes a swap that was cut off: between its two renames the old
// folder is still the delivery, after them it only holds what is not ours.
func settle(dir string) error {
	old := beside(dir, "old")
	if err := os.RemoveAll(beside(dir, "new")); err != nil {
		return err
	}
	if _, err := os.Lstat(old); err != nil {
		return unless(err, os.ErrNotExist)
	}
	if _, err := os.Lstat(dir); err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return os.Rename(old, dir)
		}
		return err
	}
	theirs, err := others(old)
	if err != nil {
		return err
	}
	for _, name := range theirs {
		if err := os.Rename(filepath.Join(old, name), filepath.Join(dir, name)); err != nil {
			return err
		}
	}
	return os.RemoveAll(old)
}

// strangers refuses to write over a file that no earlier delivery wrote.
func strangers(dir string, m Manifest) error {
	theirs, err := others(dir)
	if err != nil {
		return err
	}
	ours := ourNames(m)
	for _, name := range theirs {
		if ours[name] {
			return fmt.Errorf("%s is there already and was not delivered: move it away, or choose another folder with --out", name)
		}
	}
	return nil
}

// others are the names in a delivery's folder that are in no manifest; none
// where there is no folder.
func others(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, unless(err, os.ErrNotExist)
	}
	var was Manifest
	text, err := os.ReadFile(filepath.Join(dir, ManifestFile))
	if unless(err, os.ErrNotExist) != nil {
		return nil, err
	}
	_ = json.Unmarshal(text, &was) // unreadable: then nothing in the folder is ours
	ours := ourNames(was)
	var names []string
	for _, e := range entries {
		if name := e.Name(); !ours[name] && name != ManifestFile && name != ChecksumsFile && name != NoteFile {
			names = append(names, name)
		}
	}
	return names, nil
}

func ourNames(m Manifest) map[string]bool {
	ours := map[string]bool{}
	for _, f := range m.Files {
		ours[f.Name] = true
	}
	return ours
}

// unless is err where it is not what was expected.
func unless(err, expected error) error {
	if errors.Is(err, expected) {
		return nil
	}
	return err
}

// writeSynced writes a file whose bytes are on the disk before its folder is
// named.
func writeSynced(path string, text []byte) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	return errors.Join(err, f.Sync(), f.Close())
}

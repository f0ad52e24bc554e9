package faults

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// A Bucket is what a gateway keeps, read and damaged behind its back: objects
// are files under their names. So what is found here needs no client of ours.
type Bucket struct{ dir string }

func (b Bucket) path(name string) string { return filepath.Join(b.dir, filepath.FromSlash(name)) }

// There tells whether an object is there.
func (b Bucket) There(name string) bool {
	_, err := os.Stat(b.path(name))
	return err == nil
}

// Read reads an object. fs.ErrNotExist.
func (b Bucket) Read(name string) ([]byte, error) { return os.ReadFile(b.path(name)) }

// JSON reads an object into v.
func (b Bucket) JSON(name string, v any) error {
	text, err := b.Read(name)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(text, v); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// List names the objects below a prefix that ends in a slash, in order.
func (b Bucket) List(prefix string) ([]string, error) {
	var names []string
	err := filepath.WalkDir(b.path(prefix), func(path string, d fs.DirEntry, err error) error {
		switch {
		case errors.Is(err, fs.ErrNotExist): // none yet, or gone meanwhile
			return nil
		case err != nil:
			return err
		case d.Type().IsRegular() && !strings.HasPrefix(d.Name(), "."):
			rel, err := filepath.Rel(b.dir, path)
			names = append(names, filepath.ToSlash(rel))
			return err
		}
		return nil
	})
	return names, err
}

// Blob is where a digest's bytes lie.
func (b Bucket) Blob(d pipeline.Digest) string { return b.path(store.BlobName(d)) }

// Truncate takes the second half of a blob away.
func (b Bucket) Truncate(d pipeline.Digest) error {
	info, err := os.Stat(b.Blob(d))
	if err != nil {
		return err
	}
	return os.Truncate(b.Blob(d), info.Size()/2)
}

// Remove takes a blob away.
func (b Bucket) Remove(d pipeline.Digest) error { return os.Remove(b.Blob(d)) }

// Title is how a title stands. It is zero before the first submission.
func (b Bucket) Title(title string) (pipeline.TitleState, error) {
	var t pipeline.TitleState
	err := b.JSON(titleName(title), &t)
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	return t, err
}

// Outcome is how a run ended. fs.ErrNotExist.
func (b Bucket) Outcome(title, run string) (pipeline.Outcome, error) {
	var o pipeline.Outcome
	err := b.JSON(runName(title, run, "close"), &o)
	return o, err
}

// Standing is how a title's standing run ended, and how the title stands.
func (b Bucket) Standing(title string) (pipeline.TitleState, pipeline.Outcome, error) {
	t, err := b.Title(title)
	if err != nil {
		return t, pipeline.Outcome{}, err
	}
	o, err := b.Outcome(title, t.Standing)
	return t, o, err
}

// A Failed try of a key, and why.
type Failed struct {
	Key  pipeline.Digest
	Name string // of the object
	pipeline.Failure
}

// Begun is how many tries of each key were begun.
func (b Bucket) Begun() (map[pipeline.Digest]int, error) {
	names, err := b.List("attempts/")
	begun := map[pipeline.Digest]int{}
	for _, name := range names {
		if !isFailed(name) {
			begun[keyOf(name)]++
		}
	}
	return begun, err
}

// Failed is the tries that were noted to have failed.
func (b Bucket) Failed() (failed []Failed, err error) {
	names, err := b.List("attempts/")
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		if isFailed(name) {
			f := Failed{Key: keyOf(name), Name: name}
			if err := b.JSON(name, &f.Failure); err != nil {
				return nil, err
			}
			failed = append(failed, f)
		}
	}
	return failed, nil
}

// isFailed tells what is noted of a failed try from what is noted of a begun one.
func isFailed(name string) bool { return strings.HasSuffix(name, ".err.json") }

// strikesOf is how many tries failed by their own fault.
func strikesOf(failed []Failed) int {
	n := 0
	for _, f := range failed {
		if f.Kind != pipeline.Infra {
			n++
		}
	}
	return n
}

// Step is the step that a key is of.
func (b Bucket) Step(key pipeline.Digest) (pipeline.Step, error) {
	var r pipeline.Recipe
	err := b.JSON("recipes/"+string(key)+".json", &r)
	return r.Step, err
}

func titleName(title string) string { return "titles/" + title + "/title.json" }

func runName(title, run, what string) string {
	return "titles/" + title + "/runs/" + run + "/" + what + ".json"
}

func commitName(key pipeline.Digest) string { return "commits/" + string(key) + ".json" }

// keyOf is the key in the name of a commit or a try.
func keyOf(name string) pipeline.Digest {
	f := strings.Split(strings.TrimSuffix(name, ".json"), "/")
	if len(f) < 2 {
		return ""
	}
	return pipeline.Digest(f[1])
}

// stateOf reads a title's state.
func stateOf(text []byte) (t pipeline.TitleState, err error) {
	err = json.Unmarshal(text, &t)
	return t, err
}

// fault says what is wrong with a blob, "" where nothing is.
func (b Bucket) fault(d pipeline.Digest, bytes int64) string {
	f, err := os.Open(b.Blob(d))
	if err != nil {
		return fmt.Sprintf("its blob %s is not there", store.BlobName(d))
	}
	defer f.Close()
	h := sha256.New()
	size, err := io.Copy(h, f)
	if err != nil {
		return err.Error()
	}
	if sum := hex.EncodeToString(h.Sum(nil)); sum != string(d) || size != bytes {
		return fmt.Sprintf("its blob %s has %d bytes of digest %s, not %d", d, size, sum, bytes)
	}
	return ""
}

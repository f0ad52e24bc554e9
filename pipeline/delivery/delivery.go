// Package delivery writes what leaves the house: a spec's files under the
// names its packaging asks for, and, when nothing is withheld, the manifest and
// checksums that make the folder a delivery.
package delivery

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// Names of what stands beside the files of a delivery.
const (
	ManifestFile  = "delivery.json"
	ChecksumsFile = "SHA256SUMS"
)

// Manifest says what a folder holds, at delivery.json.
type Manifest struct {
	Title    string `json:"title"`
	Run      string `json:"run"`
	Spec     string `json:"spec"`
	Complete bool   `json:"complete"`           // checksums stand beside it
	Withheld string `json:"withheld,omitempty"` // why it is no delivery
	Files    []File `json:"files"`
}

// A File is one file of a manifest.
type File struct {
	Name    string           `json:"name"`
	Number  int              `json:"number"`
	Chapter string           `json:"chapter"`
	SHA256  pipeline.Digest  `json:"sha256"`
	Bytes   int64            `json:"bytes"`
	LengthS float64          `json:"length_s"`
	Verdict pipeline.Verdict `json:"verdict"`
}

// Write puts one spec's files of an outcome into the folder out/<title>/<spec>
// and returns its manifest. The new folder takes the old one's place whole: a
// reader sees one run's files or the other's. Where they are the same already,
// nothing is written.
func Write(ctx context.Context, s store.Store, o pipeline.Outcome, spec pipeline.Spec, dir string) (Manifest, error) {
	m := manifest(o, spec)
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return m, pipeline.Errorf(pipeline.Bug, "delivery", "%w", err)
	}
	if same(dir, m, text) {
		return m, nil
	}
	fresh := dir + ".new"
	err = errors.Join(os.RemoveAll(fresh), os.MkdirAll(fresh, 0o755))
	for _, f := range m.Files {
		if err == nil {
			err = copyBlob(ctx, s, f, filepath.Join(fresh, f.Name))
		}
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(fresh, ManifestFile), append(text, '\n'), 0o644)
	}
	if err == nil && m.Complete {
		err = os.WriteFile(filepath.Join(fresh, ChecksumsFile), checksums(m), 0o644)
	}
	if err == nil {
		err = replace(dir, fresh)
	}
	if err != nil {
		_ = os.RemoveAll(fresh)
		return m, pipeline.Errorf(pipeline.Infra, "deliver to "+dir, "%w", err)
	}
	return m, nil
}

func manifest(o pipeline.Outcome, spec pipeline.Spec) Manifest {
	m := Manifest{Title: o.Title, Run: o.Run, Spec: spec.Spec, Withheld: o.Withheld[spec.Spec], Files: []File{}}
	m.Complete = m.Withheld == ""
	names := Names(o.Chapters, spec)
	for i, ch := range o.Chapters {
		for _, f := range ch.Files {
			// A file that is to be returned is not a deliverable; one that
			// asks for an ear is written, for the ear.
			if f.Spec != spec.Spec || f.Verdict == pipeline.Return {
				continue
			}
			m.Files = append(m.Files, File{
				Name: names[i] + "." + string(f.Format.Format), Number: ch.Number, Chapter: ch.Name,
				SHA256: f.Blob, Bytes: f.Bytes, LengthS: f.Record.LengthS, Verdict: f.Verdict,
			})
		}
	}
	return m
}

// same tells whether dir holds just this manifest's files already.
func same(dir string, m Manifest, text []byte) bool {
	old, err := os.ReadFile(filepath.Join(dir, ManifestFile))
	if err != nil || !bytes.Equal(bytes.TrimSpace(old), text) {
		return false
	}
	for _, f := range m.Files {
		file, err := os.Open(filepath.Join(dir, f.Name))
		if err != nil {
			return false
		}
		got, _, err := pipeline.DigestReader(file)
		file.Close()
		if err != nil || got != f.SHA256 {
			return false
		}
	}
	sums, err := os.ReadFile(filepath.Join(dir, ChecksumsFile))
	if m.Complete {
		return err == nil && bytes.Equal(sums, checksums(m))
	}
	return errors.Is(err, os.ErrNotExist)
}

func copyBlob(ctx context.Context, s store.Store, f File, path string) error {
	from, err := s.Get(ctx, store.BlobName(f.SHA256), 0, -1)
	if err != nil {
		return err
	}
	defer from.Close()
	to, err := os.Create(path)
	if err != nil {
		return err
	}
	got, _, err := pipeline.DigestReader(io.TeeReader(from, to))
	if err = errors.Join(err, to.Sync(), to.Close()); err != nil {
		return err
	}
	if got != f.SHA256 {
		return fmt.Errorf("%s: %w", f.Name, store.ErrDamaged)
	}
	return nil
}

// checksums is the text that sha256sum -c reads.
func checksums(m Manifest) []byte {
	var b bytes.Buffer
	for _, f := range m.Files {
		fmt.Fprintf(&b, "%s  %s\n", f.SHA256, f.Name)
	}
	return b.Bytes()
}

// replace puts the folder fresh in dir's place. What a person had laid beside
// the delivered files moves along.
func replace(dir, fresh string) error {
	if err := keepOthers(dir, fresh); err != nil {
		return err
	}
	old := dir + ".old"
	if err := os.RemoveAll(old); err != nil {
		return err
	}
	if err := os.Rename(dir, old); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err := os.Rename(fresh, dir); err != nil {
		return err
	}
	return os.RemoveAll(old)
}

// keepOthers moves into fresh what stands in dir and in no manifest.
func keepOthers(dir, fresh string) error {
	text, err := os.ReadFile(filepath.Join(dir, ManifestFile))
	if errors.Is(err, os.ErrNotExist) {
		text = []byte("{}")
	} else if err != nil {
		return err
	}
	var was Manifest
	_ = json.Unmarshal(text, &was) // unreadable: then nothing in it is ours
	ours := map[string]bool{ManifestFile: true, ChecksumsFile: true}
	for _, f := range was.Files {
		ours[f.Name] = true
	}
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	for _, e := range entries {
		to := filepath.Join(fresh, e.Name())
		if _, err := os.Lstat(to); ours[e.Name()] || err == nil {
			continue
		}
		if err := os.Rename(filepath.Join(dir, e.Name()), to); err != nil {
			return err
		}
	}
	return nil
}

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
	"io/fs"
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
// nothing is written; what a person laid beside the files stays. Cut off
// anywhere, the next call finishes it.
func Write(ctx context.Context, s store.Store, o pipeline.Outcome, spec pipeline.Spec, dir string) (Manifest, error) {
	m := manifest(o, spec)
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return m, pipeline.Errorf(pipeline.Bug, "delivery", "%w", err)
	}
	if err := settle(dir); err != nil {
		return m, failed(dir, err)
	}
	if same(dir, m, text) {
		return m, nil
	}
	if err := strangers(dir, m); err != nil {
		return m, failed(dir, err)
	}
	fresh := beside(dir, "new")
	err = os.MkdirAll(fresh, 0o755)
	for _, f := range m.Files {
		if err == nil {
			err = copyBlob(ctx, s, f, filepath.Join(fresh, f.Name))
		}
	}
	if err == nil {
		err = writeSynced(filepath.Join(fresh, ManifestFile), append(text, '\n'))
	}
	if err == nil && m.Complete {
		err = writeSynced(filepath.Join(fresh, ChecksumsFile), checksums(m))
	}
	if err == nil {
		err = swap(dir)
	}
	if err != nil {
		_ = os.RemoveAll(fresh)
		return m, failed(dir, err)
	}
	return m, nil
}

// failed says what could not be delivered and, where a folder or its disk is
// in the way, what to do.
func failed(dir string, err error) error {
	var path *fs.PathError
	var link *os.LinkError
	if errors.As(err, &path) || errors.As(err, &link) {
		return pipeline.Errorf(pipeline.Infra, "deliver to "+dir, "%w: see that the folder can be written and its disk has room, or choose another with --out", err)
	}
	return pipeline.Errorf(pipeline.Infra, "deliver to "+dir, "%w", err)
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

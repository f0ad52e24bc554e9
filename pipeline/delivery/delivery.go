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
	"io/fs"
	"os"
	"path/filepath"
	"slices"

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
	Withheld string `json:"withheld,omitempty"` // why it is no delivery, or was none
	Forced   string `json:"forced,omitempty"`   // why it left all the same: a person's reason
	Files    []File `json:"files"`
}

// A File is one file of a manifest. Its audio is what was verified: the bytes
// behind the tag have the digest AudioSHA256, which are all of the verified
// file's where that is an MP3 or WAV, and its frames where it is a FLAC.
type File struct {
	Name     string           `json:"name"`
	Number   int              `json:"number"`
	Chapter  string           `json:"chapter"`
	Role     pipeline.Role    `json:"role"`
	Tags     *Tags            `json:"tags,omitempty"`
	Verified pipeline.Digest  `json:"verified_sha256"` // the file as it was measured, before any tag
	LengthS  float64          `json:"length_s"`
	Verdict  pipeline.Verdict `json:"verdict"`

	// What was written.
	SHA256      pipeline.Digest `json:"sha256"`
	Bytes       int64           `json:"bytes"`
	TagBytes    int64           `json:"tag_bytes"` // in front of the audio
	AudioSHA256 pipeline.Digest `json:"audio_sha256"`

	format pipeline.Format
}

// Write puts one spec's files of an outcome into the folder out/<title>/<spec>
// and returns its manifest. The new folder takes the old one's place whole: a
// reader sees one run's files or the other's. Where they are the same already,
// nothing is written; what a person laid beside the files stays. Cut off
// anywhere, the next call finishes it. What is withheld leaves all the same
// where forced gives a reason.
func Write(ctx context.Context, s store.Store, o pipeline.Outcome, spec pipeline.Spec, dir, forced string) (Manifest, error) {
	m := manifest(o, spec, forced)
	if err := settle(dir); err != nil {
		return m, failed(dir, err)
	}
	if there, ok := same(dir, m); ok && sameNote(dir, o, spec, there) {
		return there, nil
	}
	if err := strangers(dir, m); err != nil {
		return m, failed(dir, err)
	}
	fresh := beside(dir, "new")
	err := os.MkdirAll(fresh, 0o755)
	for i := range m.Files {
		if err == nil {
			err = copyBlob(ctx, s, &m.Files[i], fresh)
		}
	}
	var text []byte
	if err == nil {
		text, err = json.MarshalIndent(m, "", "  ")
	}
	if err == nil {
		err = writeSynced(filepath.Join(fresh, ManifestFile), append(text, '\n'))
	}
	if err == nil && m.Complete {
		err = errors.Join(writeSynced(filepath.Join(fresh, ChecksumsFile), checksums(m)), writeSynced(filepath.Join(fresh, NoteFile), note(o, spec, m)))
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
	if errors.Is(err, store.ErrAbsent) || errors.Is(err, store.ErrDamaged) {
		return pipeline.Errorf(pipeline.Infra, "deliver to "+dir, "%w: check --read-data tells what else is, and with --repair it has the file made again", err)
	}
	return pipeline.Errorf(pipeline.Infra, "deliver to "+dir, "%w", err)
}

func manifest(o pipeline.Outcome, spec pipeline.Spec, forced string) Manifest {
	m := Manifest{Title: o.Title, Run: o.Run, Spec: spec.Spec, Withheld: o.Withheld[spec.Spec], Files: []File{}}
	if m.Withheld != "" {
		m.Forced = forced
	}
	m.Complete = m.Withheld == "" || m.Forced != ""
	names := Names(o, spec)
	for i, ch := range o.Chapters {
		for _, f := range ch.Files {
			// A file that is to be returned is not a deliverable; one that
			// asks for an ear is written, for the ear.
			if f.Spec != spec.Spec || f.Verdict == pipeline.Return && m.Forced == "" {
				continue
			}
			file := File{
				Name: names[i] + "." + string(f.Format.Format), Number: ch.Number, Chapter: ch.Name, Role: ch.Role,
				Verified: f.Blob, LengthS: f.Record.LengthS, Verdict: f.Verdict, format: f.Format.Format,
			}
			if tagged(file.format) && !spec.Packaging.Untagged {
				tags := tagsOf(o, i)
				file.Tags = &tags
			}
			m.Files = append(m.Files, file)
		}
	}
	return m
}

// same tells whether dir holds just this manifest's files already, and returns
// it with what is known of them.
func same(dir string, m Manifest) (Manifest, bool) {
	text, err := os.ReadFile(filepath.Join(dir, ManifestFile))
	var old Manifest
	if err != nil || json.Unmarshal(text, &old) != nil || len(old.Files) != len(m.Files) {
		return m, false
	}
	there := m
	there.Files = slices.Clone(m.Files)
	for i := range there.Files {
		f, was := &there.Files[i], old.Files[i]
		f.SHA256, f.Bytes, f.TagBytes, f.AudioSHA256 = was.SHA256, was.Bytes, was.TagBytes, was.AudioSHA256
	}
	now, err := json.MarshalIndent(there, "", "  ")
	if err != nil || !bytes.Equal(bytes.TrimSpace(text), now) {
		return m, false
	}
	for _, f := range there.Files {
		file, err := os.Open(filepath.Join(dir, f.Name))
		if err != nil {
			return m, false
		}
		got, _, err := pipeline.DigestReader(file)
		file.Close()
		if err != nil || got != f.SHA256 {
			return m, false
		}
	}
	sums, err := os.ReadFile(filepath.Join(dir, ChecksumsFile))
	if there.Complete {
		return there, err == nil && bytes.Equal(sums, checksums(there))
	}
	return there, errors.Is(err, os.ErrNotExist)
}

// sameNote tells whether the note beside the files is theirs.
func sameNote(dir string, o pipeline.Outcome, spec pipeline.Spec, m Manifest) bool {
	text, err := os.ReadFile(filepath.Join(dir, NoteFile))
	if !m.Complete {
		return errors.Is(err, os.ErrNotExist)
	}
	return err == nil && bytes.Equal(text, note(o, spec, m))
}

// copyBlob writes a file with its tags and fills in what was written.
func copyBlob(ctx context.Context, s store.Store, f *File, dir string) error {
	from, err := s.Get(ctx, store.BlobName(f.Verified), 0, -1)
	if err != nil {
		return fmt.Errorf("%s: %w", f.Name, err)
	}
	defer from.Close()
	to, err := os.Create(filepath.Join(dir, f.Name))
	if err != nil {
		return err
	}
	c, err := copyTagged(to, from, f.format, f.Tags)
	if err = errors.Join(err, to.Sync(), to.Close()); err != nil {
		return fmt.Errorf("%s: %w", f.Name, err)
	}
	if c.from != f.Verified {
		return fmt.Errorf("%s: %w", f.Name, store.ErrDamaged)
	}
	f.SHA256, f.Bytes, f.TagBytes, f.AudioSHA256 = c.whole, c.bytes, c.tag, c.audio
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

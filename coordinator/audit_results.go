package coordinator

import (
	"context"
	"errors"
	"fmt"
	"io"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// blob mends a blob that is missing or damaged: one that results name is
// removed with their commits, if they can be made again. Damaged bytes that
// nothing makes again are kept under their own digest.
func (m *mender) blob(ctx context.Context, f *Fault, d pipeline.Digest) error {
	if f.madeAgain() {
		for _, key := range f.commits {
			if err := m.makeable(ctx, f, key); err != nil {
				return m.done(f, "", err)
			}
		}
	}
	done := ""
	if f.Fault == IsDamaged {
		bad, err := stillDamaged(ctx, m.s, d)
		if err != nil {
			return err
		}
		switch {
		case !bad:
			f.Do, f.Mended = "nothing: it is whole now", true
			return nil
		case f.madeAgain():
			err = m.s.Delete(ctx, f.Object)
			done = "removed with its commit"
		default:
			var as pipeline.Digest
			as, err = setAside(ctx, m.s, d)
			done = "its bytes are kept as what they are, " + store.BlobName(as)
		}
		if err != nil {
			return err
		}
	}
	switch {
	case f.source || len(f.pushed) > 0:
		f.Done = done // and someone has to upload it again
		if done != "" {
			f.Do = blobRemedyNow(*f)
		}
		return nil
	case len(f.commits) == 0:
		m.hitTitles(f)
		if f.Fault == IsDamaged {
			return m.done(f, done, nil)
		}
		return nil
	}
	for _, key := range f.commits {
		if err := m.s.Delete(ctx, commitName(key)); err != nil {
			return err
		}
	}
	if done == "" {
		done = "its commit is removed"
	}
	m.hitTitles(f)
	return m.done(f, done, nil)
}

// madeAgain tells whether results, and nothing but results, name a blob.
func (f Fault) madeAgain() bool { return !f.source && len(f.pushed) == 0 && len(f.commits) > 0 }

// blobRemedyNow is what is left to do once damaged bytes are out of the way.
func blobRemedyNow(f Fault) string {
	f.Fault = IsMissing
	return f.blobRemedy()
}

// commit removes a commit that says what is not so, and has what stands made
// again where it is missing.
func (m *mender) commit(ctx context.Context, f *Fault, key pipeline.Digest) error {
	if err := m.makeable(ctx, f, key); err != nil {
		return m.done(f, "", err)
	}
	m.hitTitles(f)
	if f.Fault == IsMissing {
		return nil
	}
	return m.done(f, "removed", m.s.Delete(ctx, f.Object))
}

// makeable is errNot where a key's result can't be made again: its recipe, or
// else a title that will write it again, and every source have to be whole.
func (m *mender) makeable(ctx context.Context, f *Fault, key pipeline.Digest) error {
	r, ok, err := readRecipe(ctx, m.s, key)
	if err != nil {
		return err
	}
	sources := r.Inputs()
	if !ok {
		if sources, err = m.uploads(ctx, f.Hits); err != nil {
			return err
		}
		if len(sources) == 0 {
			return errNot
		}
	}
	for _, d := range sources {
		_, err := store.CopyBlob(ctx, m.s, d, io.Discard)
		if err != nil && pipeline.KindOf(err) == pipeline.Bug {
			return errNot // it is no digest
		}
		if err != nil {
			return notThere(err)
		}
	}
	return nil
}

// uploads are the blobs of the files that some hits name.
func (m *mender) uploads(ctx context.Context, hits []Hit) (blobs []pipeline.Digest, err error) {
	for _, h := range hits {
		var sub pipeline.Submission
		if err := store.ReadJSON(ctx, m.s, runName(h.Title, h.Run, "submit"), &sub); err != nil {
			return nil, notThere(err)
		}
		for _, src := range sub.Sources {
			for _, file := range h.Files {
				if src.Path == file {
					blobs = append(blobs, src.Blob)
				}
			}
		}
	}
	return blobs, nil
}

// stillDamaged reads a blob up to two times: what is right once is whole.
func stillDamaged(ctx context.Context, s store.Store, d pipeline.Digest) (bool, error) {
	for range 2 {
		_, err := store.CopyBlob(ctx, s, d, io.Discard)
		if !errors.Is(err, store.ErrDamaged) {
			if errors.Is(err, store.ErrAbsent) {
				return true, nil // someone else has removed it
			}
			return false, err
		}
	}
	return true, nil
}

// setAside stores damaged bytes as the blob that they are and frees the name
// that they had: a recording with one wrong bit is still most of a recording.
func setAside(ctx context.Context, s store.Store, d pipeline.Digest) (as pipeline.Digest, err error) {
	name := store.BlobName(d)
	info, err := s.Stat(ctx, name)
	if err != nil {
		return "", err
	}
	from := &objectReader{ctx: ctx, s: s, name: name, size: info.Bytes}
	defer from.close()
	if as, _, err = pipeline.DigestReader(from); err != nil {
		return "", err
	}
	if as == d {
		return "", fmt.Errorf("%s: it is whole after all", name)
	}
	if err := s.Put(ctx, as, from); err != nil {
		return "", err
	}
	return as, s.Delete(ctx, name)
}

// objectReader reads an object from any place in it, as Put wants it.
type objectReader struct {
	ctx  context.Context
	s    store.Store
	name string
	size int64
	at   int64
	open io.ReadCloser // at at; nil: not yet
}

func (r *objectReader) Read(p []byte) (int, error) {
	if r.open == nil {
		var err error
		if r.open, err = r.s.Get(r.ctx, r.name, r.at, -1); err != nil {
			return 0, err
		}
	}
	n, err := r.open.Read(p)
	r.at += int64(n)
	return n, err
}

func (r *objectReader) Seek(to int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		to += r.at
	case io.SeekEnd:
		to += r.size
	}
	if to < 0 {
		return r.at, fmt.Errorf("%s: seek to byte %d", r.name, to)
	}
	if to != r.at {
		r.close()
		r.at = to
	}
	return to, nil
}

func (r *objectReader) close() {
	if r.open != nil {
		_ = r.open.Close()
		r.open = nil
	}
}

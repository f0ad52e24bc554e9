package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"chapterhouse/pipeline"
)

// ReadObject reads a whole small object. ErrAbsent.
func ReadObject(ctx context.Context, s Store, name string) ([]byte, error) {
	r, err := s.Get(ctx, name, 0, MaxObject+1)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	data, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", name, err)
	}
	if len(data) > MaxObject {
		return nil, pipeline.Errorf(pipeline.Bug, "", "%s: larger than an object may be (%d bytes)", name, MaxObject)
	}
	return data, nil
}

// ReadVersion reads a small object and the version that Swap wants; nil and
// Absent where there is none. It reads again while the object changes under
// it, which can be seen as long as no later state has an earlier one's bytes:
// what is swapped carries a number that only rises.
func ReadVersion(ctx context.Context, s Store, name string) ([]byte, Version, error) {
	for {
		before, err := s.Stat(ctx, name)
		if errors.Is(err, ErrAbsent) {
			return nil, Absent, nil
		}
		if err != nil {
			return nil, Absent, err
		}
		data, err := ReadObject(ctx, s, name)
		if err != nil && !errors.Is(err, ErrAbsent) {
			return nil, Absent, err
		}
		after, err := s.Stat(ctx, name)
		if err != nil && !errors.Is(err, ErrAbsent) {
			return nil, Absent, err
		}
		if before == after {
			return data, after.Version, nil
		}
	}
}

// ReadJSON reads a small object into v. ErrAbsent; ErrDamaged when it is no
// JSON of v's form, or v's Check refuses it.
func ReadJSON(ctx context.Context, s Store, name string, v any) error {
	data, err := ReadObject(ctx, s, name)
	if err != nil {
		return err
	}
	return decode(name, data, v)
}

// Create makes an object that is written once. One that is there with the
// same bytes is success: ours with its reply lost, or another's with the same
// outcome. ErrConflict when other bytes are there: theirs stand.
func Create(ctx context.Context, s Store, name string, data []byte) error {
	_, err := s.Swap(ctx, name, Absent, data)
	if err == nil || ctx.Err() != nil || pipeline.KindOf(err) == pipeline.Bug {
		return err
	}
	there, readErr := ReadObject(ctx, s, name)
	switch {
	case readErr != nil:
		return err
	case bytes.Equal(there, data):
		return nil
	}
	return fmt.Errorf("create %s: %w", name, ErrConflict)
}

// CreateJSON is Create with v's canonical JSON.
func CreateJSON(ctx context.Context, s Store, name string, v any) error {
	data, err := pipeline.Canonical(v)
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "create "+name, "%w", err)
	}
	return Create(ctx, s, name, data)
}

// Update changes the JSON object of a name by compare-and-swap: change gets
// what stands, the zero T where nothing does, and is called again on what then
// stands when someone else was faster. An error of change ends Update and is
// returned; a change that leaves T as it is writes nothing. When a reply is
// lost, Update takes bytes that are those it wrote for its own: where two
// callers may want the same bytes and only one may have them, T names the caller.
func Update[T any](ctx context.Context, s Store, name string, change func(*T) error) error {
	for {
		data, version, err := ReadVersion(ctx, s, name)
		if err != nil {
			return err
		}
		var v T
		if version != Absent {
			if err := decode(name, data, &v); err != nil {
				return err
			}
		}
		if err := change(&v); err != nil {
			return err
		}
		next, err := pipeline.Canonical(v)
		if err != nil {
			return pipeline.Errorf(pipeline.Bug, "update "+name, "%w", err)
		}
		if version != Absent && bytes.Equal(data, next) {
			return nil
		}
		_, err = s.Swap(ctx, name, version, next)
		if errors.Is(err, ErrConflict) {
			continue
		}
		if err == nil || ctx.Err() != nil {
			return err
		}
		if there, readErr := ReadObject(ctx, s, name); readErr == nil && bytes.Equal(there, next) {
			return nil
		}
		return err
	}
}

// CopyBlob writes the blob d to w and verifies it. ErrAbsent; ErrDamaged when
// the bytes were not d's: what w got is then worth nothing.
func CopyBlob(ctx context.Context, s Store, d pipeline.Digest, w io.Writer) (int64, error) {
	if err := CheckDigest(d); err != nil {
		return 0, err
	}
	r, err := s.Get(ctx, BlobName(d), 0, -1)
	if err != nil {
		return 0, err
	}
	defer r.Close()
	h := sha256.New()
	n, err := io.Copy(io.MultiWriter(w, h), r)
	if err != nil {
		return n, fmt.Errorf("read blob %s: %w", d.Short(), err)
	}
	if pipeline.DigestSum(h) != d {
		return n, fmt.Errorf("blob %s: %w", d.Short(), ErrDamaged)
	}
	return n, nil
}

// decode reads JSON into v and asks v, where it has a Check, whether it is what
// could have been written: whoever can write to storage can write anything.
func decode(name string, data []byte, v any) error {
	err := json.Unmarshal(data, v)
	if c, ok := v.(interface{ Check() error }); ok && err == nil {
		err = c.Check()
	}
	if err != nil {
		return fmt.Errorf("%s: %w: %v", name, ErrDamaged, err)
	}
	return nil
}

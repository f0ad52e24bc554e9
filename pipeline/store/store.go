// Package store is the seam to object storage, the truth of a house: blobs
// named by their digest, and small objects that are created once or replaced
// by compare-and-swap. It knows names and bytes, not what they mean.
//
// What every implementation promises, and storetest checks:
//   - a Put or Swap that returned nil is durable and read back by any later Get, Stat or List;
//   - a reader sees an object whole or not at all;
//   - of any number of concurrent Swaps with the same old version exactly one succeeds;
//   - methods may be called from any goroutine.
package store

import (
	"context"
	"errors"
	"io"

	"chapterhouse/pipeline"
)

var (
	// ErrAbsent: there is no object of that name.
	ErrAbsent = errors.New("not in the store")
	// ErrConflict: the object is not at the version the caller named.
	ErrConflict = errors.New("changed by someone else")
	// ErrDamaged: the bytes are not those that the name or the writer claims.
	ErrDamaged = errors.New("damaged: its digest does not match its bytes")
)

// A Version names one state of an object. It is opaque; equal versions mean equal bytes.
type Version string

// Absent is the version of an object that is not there.
const Absent Version = ""

// Info describes one object.
type Info struct {
	Name    string
	Bytes   int64
	Version Version
}

// MaxObject bounds what Swap takes and ReadObject reads. Audio goes to blobs.
const MaxObject = 8 << 20

// Store holds a house's objects under names as CheckName wants them. A name
// that it refuses, and anything else that only a wrong caller can ask, is an
// error of kind Bug; a disk or a network that fails is one of kind Infra. A
// method whose context is done returns the context's error.
type Store interface {
	// Get opens n bytes from offset off, n < 0 for all that follow; what
	// lies beyond the end is not there, and no error. ErrAbsent. The context
	// must live until the reader is closed. The bytes are not verified: see CopyBlob.
	Get(ctx context.Context, name string, off, n int64) (io.ReadCloser, error)
	// Put stores the bytes of from as the blob d. A blob that is there
	// already is left alone. ErrDamaged when the bytes are not d's; nothing
	// is left under the name then. from is read from its start, perhaps more than once.
	Put(ctx context.Context, d pipeline.Digest, from io.ReadSeeker) error
	// Swap replaces an object that is at version old by data; old = Absent
	// creates. ErrConflict when it is not at old. After any other error the
	// caller can't know and must read: Create and Update do.
	Swap(ctx context.Context, name string, old Version, data []byte) (Version, error)
	// Stat describes an object. ErrAbsent.
	Stat(ctx context.Context, name string) (Info, error)
	// List calls each for every object whose name starts with prefix, in the
	// byte order of names, until it returns an error, which List returns. An
	// object that comes or goes meanwhile may be listed or not.
	List(ctx context.Context, prefix string, each func(Info) error) error
	// Delete removes an object; one that is absent is no error. Where it meets
	// a Swap of the same moment either may have the last word, also on servers
	// that keep all else: what is swapped is not deleted.
	Delete(ctx context.Context, name string) error
}

// Local is a store whose objects are files on this machine.
type Local interface {
	// Path is the file of an object, there or not. It may be read and
	// hard-linked, never written.
	Path(name string) (string, error)
	// Scratch is a folder in the same file system as the objects. It is gone
	// when the store is closed, or opened again after its process died.
	Scratch() string
}

package s3

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"github.com/minio/minio-go/v7"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// pageSize is how many objects one listing asks for: the most that servers give.
const pageSize = 1000

// maxResumes bounds how often a read is taken up again without a byte between.
const maxResumes = 5

// found is an object as one answer describes it, and the bytes that follow.
type found struct {
	store.Info
	mark string // of the Swap that wrote it
	body io.ReadCloser
	left int64 // in body
}

// errBeyond: the object has no byte where we asked for one.
var errBeyond error = &final{errors.New("beyond the end")}

// ask makes one try to read n bytes (n < 0: all) from off; version, where it
// is not Absent, is the one it must still have.
func (s *Store) ask(ctx context.Context, name string, off, n int64, version store.Version) (found, error) {
	var o minio.GetObjectOptions
	last := off + n - 1
	switch ranged := off > 0 || n >= 0; {
	case ranged && (n < 0 || last < off): // to the end, or so far beyond that it overflows
		o.Set("Range", fmt.Sprintf("bytes=%d-", off))
	case ranged:
		o.Set("Range", fmt.Sprintf("bytes=%d-%d", off, last))
	}
	if version != store.Absent {
		o.Set("If-Match", `"`+string(version)+`"`)
	}
	body, info, header, err := s.core.GetObject(ctx, s.bucket, s.key(name), o)
	if is(err, http.StatusRequestedRangeNotSatisfiable) {
		return found{}, errBeyond
	}
	if err != nil {
		return found{}, err
	}
	f := found{
		Info: store.Info{Name: name, Bytes: info.Size, Version: store.Version(info.ETag)},
		mark: info.UserMetadata[markHeader], body: body, left: info.Size,
	}
	if got := header.Get("Content-Range"); got != "" {
		var first, last int64
		if _, err := fmt.Sscanf(got, "bytes %d-%d/%d", &first, &last, &f.Bytes); err != nil || first != off {
			return found{}, errors.Join(s.odd("asked for bytes from %d it sent %q", off, got), body.Close())
		}
	} else if off > 0 {
		return found{}, errors.Join(s.odd("it sends no ranges of objects"), body.Close())
	}
	if info.Size < 0 || info.ETag == "" {
		return found{}, errors.Join(s.odd("it does not say how long an object is, or which version"), body.Close())
	}
	if n >= 0 {
		f.left = min(f.left, n)
	}
	return f, nil
}

// Stat describes an object.
func (s *Store) Stat(ctx context.Context, name string) (store.Info, error) {
	if err := begin(ctx, store.CheckName(name)); err != nil {
		return store.Info{}, err
	}
	var f found
	err := s.retry(ctx, func() (err error) { f, err = s.look(ctx, name); return err })
	return f.Info, s.explain(name, err)
}

// look makes one try to describe an object. The answer to a HEAD has no body
// to say whether it is the object that is missing or the bucket, or that it
// was no S3 server that spoke, so a HEAD that is refused is asked again as a GET.
func (s *Store) look(ctx context.Context, name string) (found, error) {
	info, err := s.core.StatObject(ctx, s.bucket, s.key(name), minio.StatObjectOptions{})
	if said, ok := answer(err); ok && said.StatusCode < 500 {
		f, err := s.ask(ctx, name, 0, -1, store.Absent)
		if err != nil {
			return found{}, err
		}
		return f, f.body.Close() // it came meanwhile
	}
	if err != nil {
		return found{}, err
	}
	return found{Info: store.Info{Name: name, Bytes: info.Size, Version: store.Version(info.ETag)}, mark: info.UserMetadata[markHeader]}, nil
}

// Get opens a range of an object. A connection that breaks while it is read is
// taken up again where it broke, as long as the object is the same.
func (s *Store) Get(ctx context.Context, name string, off, n int64) (io.ReadCloser, error) {
	if err := begin(ctx, store.CheckName(name)); err != nil {
		return nil, err
	}
	if off < 0 {
		return nil, pipeline.Errorf(pipeline.Bug, "", "%s: read from offset %d", name, off)
	}
	if n == 0 {
		_, err := s.Stat(ctx, name)
		return http.NoBody, err
	}
	r := &reader{s: s, ctx: ctx, name: name, off: off, left: n}
	if err := r.open(); err != nil {
		return nil, err
	}
	return r, nil
}

// reader reads a range of one state of an object.
type reader struct {
	s       *Store
	ctx     context.Context
	name    string
	off     int64         // of the next byte
	left    int64         // bytes still to come; what was asked for until the first answer
	version store.Version // Absent until the first answer
	body    io.ReadCloser // nil where the connection broke
	broken  int           // times it broke since the last byte
}

// open asks for what is still to come.
func (r *reader) open() error {
	var f found
	err := r.s.retry(r.ctx, func() (err error) { f, err = r.s.ask(r.ctx, r.name, r.off, r.left, r.version); return err })
	if r.version == store.Absent {
		if errors.Is(err, errBeyond) {
			f, err = found{body: http.NoBody}, nil
		}
	} else if err == nil && f.left < r.left || errors.Is(err, errBeyond) || is(err, http.StatusPreconditionFailed) || absent(err) {
		if err == nil {
			_ = f.body.Close()
		}
		return pipeline.Errorf(pipeline.Infra, "read "+r.name, "it was changed by someone else while it was read")
	}
	if err != nil {
		return r.s.explain(r.name, err)
	}
	r.body, r.left, r.version = f.body, f.left, f.Version
	return nil
}

func (r *reader) Read(p []byte) (int, error) {
	for r.left > 0 {
		if r.body == nil {
			if err := r.open(); err != nil {
				return 0, err
			}
		}
		n, err := r.body.Read(p[:min(int64(len(p)), r.left)])
		r.off, r.left = r.off+int64(n), r.left-int64(n)
		if n > 0 {
			r.broken = 0
		}
		if err != nil && r.left > 0 {
			if ctxErr := r.ctx.Err(); ctxErr != nil {
				return n, ctxErr
			}
			_ = r.body.Close()
			r.body = nil
			if r.broken++; r.broken > maxResumes {
				return n, r.s.explain(r.name, err)
			}
		}
		if n > 0 || len(p) == 0 {
			return n, nil
		}
	}
	return 0, io.EOF
}

func (r *reader) Close() error {
	if r.body == nil {
		return nil
	}
	return r.body.Close()
}

// List goes through the pages that the server gives, each fetched whole before
// its objects are shown.
func (s *Store) List(ctx context.Context, prefix string, each func(store.Info) error) error {
	if err := begin(ctx, store.CheckPrefix(prefix)); err != nil {
		return err
	}
	last := ""
	for {
		page, err := s.page(ctx, prefix, last, pageSize)
		if err != nil {
			return err
		}
		for _, o := range page {
			if o.Key <= last {
				return s.explain("", s.odd("it lists %s after %s, which is not the order of names", o.Key, last))
			}
			last = o.Key
			if !strings.HasPrefix(o.Key, s.key(prefix)) {
				return s.explain("", s.odd("it lists %q where it was asked for what starts with %q", o.Key, s.key(prefix)))
			}
			name := o.Key[len(s.prefix):]
			if store.CheckName(name) != nil { // not the store's
				continue
			}
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := each(store.Info{Name: name, Bytes: o.Size, Version: store.Version(o.ETag)}); err != nil {
				return err
			}
		}
		if len(page) < pageSize {
			return nil
		}
	}
}

// page lists up to n objects whose names start with prefix and whose keys
// come after a key. Fewer are all there are.
func (s *Store) page(ctx context.Context, prefix, after string, n int) ([]minio.ObjectInfo, error) {
	var page []minio.ObjectInfo
	noOwner := false
	err := s.retry(ctx, func() error {
		page = page[:0]
		for o := range s.core.ListObjectsIter(ctx, s.bucket, minio.ListObjectsOptions{
			Prefix: s.key(prefix), Recursive: true, StartAfter: after, MaxKeys: n, FetchOwner: &noOwner,
		}) {
			if o.Err != nil {
				return o.Err
			}
			if page = append(page, o); len(page) == n {
				break
			}
		}
		return ctx.Err()
	})
	return page, s.explain("", err)
}

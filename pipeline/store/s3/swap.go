package s3

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"net/http"

	"github.com/minio/minio-go/v7"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// markHeader is the user metadata (x-amz-meta-mark) that names the Swap which
// wrote an object.
const markHeader = "Mark"

// errMoved: the object is not at the version asked for.
var errMoved error = &final{errors.New("precondition failed")}

// Swap creates or replaces an object, with a condition that the server keeps.
// The version is the ETag of what was written, which is small and in one part.
func (s *Store) Swap(ctx context.Context, name string, old store.Version, data []byte) (store.Version, error) {
	if err := begin(ctx, store.CheckSwap(name, data)); err != nil {
		return store.Absent, err
	}
	if s.emulated.Load() {
		return s.swap(ctx, s.placeAlone, name, old, data)
	}
	return s.swap(ctx, s.place, name, old, data)
}

// A placer makes one try to store what Swap is to.
type placer func(ctx context.Context, name string, old store.Version, data []byte, mark string) (store.Version, error)

func (s *Store) swap(ctx context.Context, place placer, name string, old store.Version, data []byte) (store.Version, error) {
	mark := rand.Text()
	var version store.Version
	unsure := false // a try that failed may have been stored
	err := s.retry(ctx, func() (err error) {
		version, err = place(ctx, name, old, data, mark)
		unsure = unsure || err != nil && !sure(err)
		return err
	})
	if errors.Is(err, errMoved) {
		return s.settle(ctx, name, mark, unsure)
	}
	if err != nil {
		return store.Absent, s.explain(name, err)
	}
	return version, nil
}

// settle finds out who moved the object from the version we asked for: we
// ourselves may have, with the reply lost on its way to us, or to a proxy
// that then asked again for us.
func (s *Store) settle(ctx context.Context, name, mark string, unsure bool) (store.Version, error) {
	var f found
	err := s.retry(ctx, func() (err error) { f, err = s.look(ctx, name); return err })
	switch {
	case err != nil && !absent(err):
		return store.Absent, s.explain(name, err)
	case err == nil && f.mark == mark:
		return f.Version, nil
	case unsure: // ours may have stood between
		return store.Absent, pipeline.Errorf(pipeline.Infra, "", "%s in %s: a reply was lost, and meanwhile someone else changed it", name, s.where)
	}
	return store.Absent, fmt.Errorf("%s: %w", name, store.ErrConflict)
}

// place makes one try with the server's condition.
func (s *Store) place(ctx context.Context, name string, old store.Version, data []byte, mark string) (store.Version, error) {
	var o minio.PutObjectOptions
	if old == store.Absent {
		o.SetMatchETagExcept("*")
	} else {
		o.SetMatchETag(string(old))
	}
	v, err := s.putObject(ctx, name, data, mark, o)
	// Some servers say 404 where there is nothing that could match.
	if is(err, http.StatusPreconditionFailed) || old != store.Absent && absent(err) {
		return store.Absent, errMoved
	}
	return v, err
}

// placeAlone makes one try with a condition that holds within this process.
func (s *Store) placeAlone(ctx context.Context, name string, old store.Version, data []byte, mark string) (store.Version, error) {
	unlock, err := s.lock(ctx, name)
	if err != nil {
		return store.Absent, err
	}
	defer unlock()
	now, err := s.look(ctx, name)
	if err != nil && !absent(err) {
		return store.Absent, err
	}
	if now.Version != old {
		return store.Absent, errMoved
	}
	return s.putObject(ctx, name, data, mark, minio.PutObjectOptions{})
}

func (s *Store) putObject(ctx context.Context, name string, data []byte, mark string, o minio.PutObjectOptions) (v store.Version, err error) {
	o.UserMetadata = map[string]string{markHeader: mark}
	o.DisableContentSha256 = true // of the parts of a stream: ours is of the whole
	whole := bytesSpan(data)
	err = whole.send(ctx, func(b io.Reader) error {
		info, err := s.core.PutObject(ctx, s.bucket, s.key(name), b, whole.n, "", string(whole.digest), o)
		v = store.Version(info.ETag)
		return err
	})
	if err == nil && v == store.Absent {
		return v, s.odd("it does not say which version it stored")
	}
	return v, err
}

// Delete removes an object.
func (s *Store) Delete(ctx context.Context, name string) error {
	if err := begin(ctx, store.CheckName(name)); err != nil {
		return err
	}
	if s.emulated.Load() {
		unlock, err := s.lock(ctx, name)
		if err != nil {
			return err
		}
		defer unlock()
	}
	err := s.retry(ctx, func() error {
		return s.core.RemoveObject(ctx, s.bucket, s.key(name), minio.RemoveObjectOptions{})
	})
	if absent(err) {
		return nil
	}
	return s.explain(name, err)
}

// lock keeps other goroutines from a name while conditions are emulated; now
// and then from another name too.
func (s *Store) lock(ctx context.Context, name string) (unlock func(), err error) {
	h := fnv.New32a()
	_, _ = h.Write([]byte(name))
	held := s.locks[h.Sum32()%uint32(len(s.locks))]
	select {
	case held <- struct{}{}:
		return func() { <-held }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

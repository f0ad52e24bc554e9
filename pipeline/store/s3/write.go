package s3

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"
	"net/http"
	"sync"
	"time"

	"github.com/minio/minio-go/v7"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

const (
	// A chapter goes in one request: servers that keep files write parts twice.
	// What takes long on a slow line goes in parts, to be sent again one by one.
	wholeBytes = 256 << 20
	partBytes  = 64 << 20
	maxParts   = 10_000 // what S3 takes
	abortTime  = 10 * time.Second
)

// Put stores a blob, in parts where it is large; it shows under its name once
// it is there as a whole.
func (s *Store) Put(ctx context.Context, d pipeline.Digest, from io.ReadSeeker) error {
	if err := begin(ctx, store.CheckDigest(d)); err != nil {
		return err
	}
	name := store.BlobName(d)
	size, err := from.Seek(0, io.SeekEnd)
	if err != nil {
		return fmt.Errorf("store blob %s: find its size: %w", d.Short(), err)
	}
	there, err := s.Stat(ctx, name)
	switch {
	case err == nil && there.Bytes == size:
		return nil
	case err != nil && !errors.Is(err, store.ErrAbsent):
		return err
	}
	if size <= s.wholeBytes {
		err = s.putWhole(ctx, name, span{from, 0, size, d})
	} else {
		err = s.putParts(ctx, name, from, size, d)
	}
	if errors.Is(err, store.ErrDamaged) {
		return fmt.Errorf("store blob %s: %w", d.Short(), err)
	}
	return s.explain(name, err)
}

// A span is a part of a seeker, and the digest it must have.
type span struct {
	from   io.ReadSeeker
	off, n int64
	digest pipeline.Digest
}

func (s *Store) putWhole(ctx context.Context, name string, whole span) error {
	return s.retry(ctx, func() error {
		return whole.send(ctx, func(b io.Reader) error {
			_, err := s.core.PutObject(ctx, s.bucket, s.key(name), b, whole.n, "", string(whole.digest), minio.PutObjectOptions{DisableContentSha256: true})
			return err
		})
	})
}

// putParts sends one part after the other. What it leaves when this process
// dies is not under any name, and Sweep drops it.
func (s *Store) putParts(ctx context.Context, name string, from io.ReadSeeker, size int64, d pipeline.Digest) (err error) {
	key := s.key(name)
	var upload string
	err = s.retry(ctx, func() (err error) {
		upload, err = s.core.NewMultipartUpload(ctx, s.bucket, key, minio.PutObjectOptions{})
		return err
	})
	if err != nil {
		return err
	}
	done := false
	defer func() {
		if !done {
			ctx, stop := context.WithTimeout(context.WithoutCancel(ctx), abortTime) // the caller's may be over
			defer stop()
			_ = s.core.AbortMultipartUpload(ctx, s.bucket, key, upload)
		}
	}()
	var parts []minio.CompletePart
	total := sha256.New()
	step := max(s.partBytes, (size+maxParts-1)/maxParts)
	for off := int64(0); off < size; off += step {
		part := span{from: from, off: off, n: min(step, size-off)}
		if err := part.measure(ctx, total); err != nil {
			return err
		}
		var sent minio.ObjectPart
		err := s.retry(ctx, func() error {
			return part.send(ctx, func(b io.Reader) (err error) {
				sent, err = s.core.PutObjectPart(ctx, s.bucket, key, upload, len(parts)+1, b, part.n,
					minio.PutObjectPartOptions{Sha256Hex: string(part.digest), DisableContentSha256: true})
				return err
			})
		})
		if err != nil {
			return err
		}
		parts = append(parts, minio.CompletePart{PartNumber: len(parts) + 1, ETag: sent.ETag})
	}
	if pipeline.DigestSum(total) != d {
		return &final{store.ErrDamaged}
	}
	err = s.retry(ctx, func() error {
		_, err := s.core.CompleteMultipartUpload(ctx, s.bucket, key, upload, parts, minio.PutObjectOptions{})
		return err
	})
	if err != nil && ctx.Err() == nil {
		// Where the reply was lost the upload is no more, and the blob is there.
		if there, statErr := s.Stat(ctx, name); statErr == nil && there.Bytes == size {
			err = nil
		}
	}
	done = err == nil
	return err
}

// Sweep drops what uploads have left that were begun before a time and never
// finished: those of processes that died. It returns how many. Two days are
// long enough for any upload.
func (s *Store) Sweep(ctx context.Context, before time.Time) (int, error) {
	var old []minio.ObjectMultipartInfo
	err := s.retry(ctx, func() error {
		old = old[:0]
		ctx, stop := context.WithCancel(ctx)
		defer stop() // ends who lists where we don't listen to the end
		for u := range s.core.ListIncompleteUploads(ctx, s.bucket, s.key(store.Blobs), true) {
			if u.Err != nil {
				return u.Err
			}
			if u.Initiated.Before(before) {
				old = append(old, u)
			}
		}
		return nil
	})
	if err != nil {
		return 0, s.explain("", err)
	}
	for i, u := range old {
		err := s.retry(ctx, func() error { return s.core.AbortMultipartUpload(ctx, s.bucket, u.Key, u.UploadID) })
		if err != nil && !is(err, http.StatusNotFound) {
			return i, s.explain(u.Key, err)
		}
	}
	return len(old), nil
}

// measure sets the span's digest and adds its bytes to total.
func (sp *span) measure(ctx context.Context, total hash.Hash) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if _, err := sp.from.Seek(sp.off, io.SeekStart); err != nil {
		return &final{err}
	}
	own := sha256.New()
	n, err := io.Copy(io.MultiWriter(own, total), io.LimitReader(sp.from, sp.n))
	if err == nil && n < sp.n {
		err = store.ErrDamaged // it became shorter
	}
	if err != nil {
		return &final{err}
	}
	sp.digest = pipeline.DigestSum(own)
	return nil
}

// send lets do, which makes one request, read the span. An error of reading
// it and bytes with another digest are final.
func (sp *span) send(ctx context.Context, do func(io.Reader) error) error {
	if _, err := sp.from.Seek(sp.off, io.SeekStart); err != nil {
		return &final{err}
	}
	b := &body{ctx: ctx, from: sp.from, left: sp.n, digest: sp.digest, hash: sha256.New()}
	if sp.n == 0 && pipeline.DigestSum(b.hash) != sp.digest {
		return &final{store.ErrDamaged} // an empty body is not read at all
	}
	err := do(b)
	if own := b.end(); own != nil {
		return &final{own}
	}
	return err
}

// bytesSpan is the span of small objects.
func bytesSpan(data []byte) span {
	return span{bytes.NewReader(data), 0, int64(len(data)), pipeline.DigestOf(data)}
}

// body is what a request sends: exactly left bytes, whose end comes only if
// their digest is right and the context not yet over. So a server never has
// all bytes of something else, nor of what was called off.
type body struct {
	ctx    context.Context
	mu     sync.Mutex
	from   io.Reader
	left   int64
	digest pipeline.Digest
	hash   hash.Hash
	err    error
	over   bool
}

var errOver = errors.New("the request is over")

func (b *body) Read(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case b.over:
		return 0, errOver
	case b.err != nil:
		return 0, b.err
	case b.left == 0:
		return 0, io.EOF
	}
	n, err := b.from.Read(p[:min(int64(len(p)), b.left)])
	b.hash.Write(p[:n])
	b.left -= int64(n)
	switch {
	case b.left == 0 && pipeline.DigestSum(b.hash) != b.digest, b.left > 0 && err == io.EOF:
		err = store.ErrDamaged
	case b.left == 0, err == nil:
		err = b.ctx.Err()
	}
	if err != nil {
		b.err = err
		return 0, err
	}
	return n, nil
}

// end keeps the request from reading on: a transport may still do so after
// the answer came, while the caller has its bytes back. It returns what was
// wrong with them.
func (b *body) end() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.over = true
	return b.err
}

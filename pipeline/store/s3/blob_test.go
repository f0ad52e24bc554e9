package s3

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/minio/minio-go/v7"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

const (
	smallPart = 5 << 20 // S3 takes no smaller one, but for the last
	partedLen = 2*smallPart + 1000
)

// parted is a store that sends in parts what is larger than smallPart.
func parted(t *testing.T) (*Store, *proxy) {
	t.Helper()
	s, p := through(t, gateway(t))
	s.wholeBytes, s.partBytes = smallPart, smallPart
	return s, p
}

func noise(n int) []byte {
	data := make([]byte, n)
	r := rand.NewPCG(1, 2)
	for i := 0; i+8 <= n; i += 8 {
		binary.LittleEndian.PutUint64(data[i:], r.Uint64())
	}
	return data
}

// unfinished are the uploads that were begun and neither completed nor dropped.
func unfinished(t *testing.T, s *Store) (n int) {
	t.Helper()
	for u := range s.core.ListIncompleteUploads(t.Context(), s.bucket, s.key(""), true) {
		must(t, u.Err)
		n++
	}
	return n
}

// TestParts: a large blob goes in parts, whatever happens to one of them or to
// the reply that says it is complete.
func TestParts(t *testing.T) {
	t.Parallel()
	s, p := parted(t)
	data := noise(partedLen)
	d := pipeline.DigestOf(data)
	for name, script := range map[string]func(*http.Request) mishap{
		"nothing happens":         nil,
		"a part breaks off":       times(1, "PUT", cutUpload),
		"a part's reply is lost":  times(2, "PUT", loseReply),
		"begun twice":             times(1, "POST", loseReply),
		"overload":                times(3, "PUT", slowDown),
		"completion's reply lost": func(r *http.Request) mishap { return lostIf(r.Method == "POST" && r.URL.Query().Has("uploadId")) },
	} {
		t.Run(name, func(t *testing.T) {
			must(t, s.Delete(t.Context(), store.BlobName(d)))
			s.patience = 5 * time.Second
			if name == "completion's reply lost" {
				s.patience = 500 * time.Millisecond
			}
			p.play(script)
			must(t, s.Put(t.Context(), d, bytes.NewReader(data)))
			if parts := p.requests("PUT", "partNumber=3"); len(parts) == 0 {
				t.Error("it was not sent in parts")
			}
			var got bytes.Buffer
			if _, err := store.CopyBlob(t.Context(), s, d, &got); err != nil || !bytes.Equal(got.Bytes(), data) {
				t.Errorf("%d bytes, %v", got.Len(), err)
			}
			p.play(nil)
			must(t, s.Put(t.Context(), d, bytes.NewReader(data)))
			if sent := p.requests("PUT", ""); len(sent) > 0 {
				t.Errorf("a blob that is there was sent again: %q", sent)
			}
		})
	}
}

func lostIf(yes bool) mishap {
	if yes {
		return loseReply
	}
	return fine
}

// TestPartsLeaveNothing: an upload that fails is dropped, also where the
// caller's context is over, and what it held shows nowhere.
func TestPartsLeaveNothing(t *testing.T) {
	t.Parallel()
	s, p := parted(t)
	data := noise(partedLen)
	d := pipeline.DigestOf(data)
	left := func(what string) {
		t.Helper()
		if n := unfinished(t, s); n != 0 {
			t.Errorf("%s: %d unfinished uploads are left", what, n)
		}
		if _, err := s.Stat(t.Context(), store.BlobName(d)); !errors.Is(err, store.ErrAbsent) {
			t.Errorf("%s: Stat: %v, want ErrAbsent", what, err)
		}
	}
	other := bytes.Clone(data)
	other[len(other)-1] ^= 1
	if err := s.Put(t.Context(), d, bytes.NewReader(other)); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("other bytes: %v, want ErrDamaged", err)
	}
	left("other bytes")
	// Bytes that change between our measuring and our sending.
	if err := s.Put(t.Context(), d, &changing{Reader: bytes.NewReader(data)}); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("bytes that change: %v, want ErrDamaged", err)
	}
	left("bytes that change")
	ctx, cancel := context.WithCancel(t.Context())
	p.play(func(r *http.Request) mishap {
		if r.URL.Query().Get("partNumber") == "2" {
			cancel()
		}
		return fine
	})
	if err := s.Put(ctx, d, bytes.NewReader(data)); !errors.Is(err, context.Canceled) {
		t.Errorf("canceled: %v", err)
	}
	p.play(nil)
	left("canceled")
}

// changing turns a bit from its second reading on.
type changing struct {
	*bytes.Reader
	reads int
}

func (c *changing) Seek(off int64, whence int) (int64, error) {
	if whence == io.SeekStart {
		c.reads++
	}
	return c.Reader.Seek(off, whence)
}

func (c *changing) Read(p []byte) (int, error) {
	n, err := c.Reader.Read(p)
	if c.reads > 1 && n > 0 {
		p[0] ^= 1
	}
	return n, err
}

func (c *changing) WriteTo(w io.Writer) (int64, error) { return io.Copy(w, struct{ io.Reader }{c}) }

// TestSweep drops what dead processes began, and nothing that may still live.
func TestSweep(t *testing.T) {
	t.Parallel()
	s, _ := parted(t)
	var uploads []string
	for i := range 3 {
		name := store.BlobName(pipeline.DigestOf([]byte{byte(i)}))
		id, err := s.core.NewMultipartUpload(t.Context(), s.bucket, s.key(name), minio.PutObjectOptions{})
		must(t, err)
		uploads = append(uploads, id)
	}
	if n, err := s.Sweep(t.Context(), time.Now().Add(-time.Hour)); n != 0 || err != nil {
		t.Errorf("Sweep of what is an hour old: %d, %v", n, err)
	}
	if n := unfinished(t, s); n != 3 {
		t.Fatalf("%d unfinished uploads, want 3", n)
	}
	if n, err := s.Sweep(t.Context(), time.Now().Add(time.Hour)); n != len(uploads) || err != nil {
		t.Errorf("Sweep of all: %d, %v", n, err)
	}
	if n := unfinished(t, s); n != 0 {
		t.Errorf("%d unfinished uploads are left", n)
	}
}

// endless is n bytes, a block again and again, that nobody holds in memory.
type endless struct {
	block []byte
	n, at int64
}

func (e *endless) Read(p []byte) (int, error) {
	if e.at >= e.n {
		return 0, io.EOF
	}
	n := copy(p[:min(int64(len(p)), e.n-e.at)], e.block[e.at%int64(len(e.block)):])
	e.at += int64(n)
	return n, nil
}

func (e *endless) Seek(off int64, whence int) (int64, error) {
	if whence == io.SeekEnd {
		off += e.n
	}
	e.at = off
	return off, nil
}

// TestMemory: a blob goes up and comes down, whole or in parts, without ever
// being in memory.
func TestMemory(t *testing.T) {
	const size, most = 200 << 20, 24 << 20
	s := open(t, optionsOf(gateway(t)))
	for _, whole := range []int64{size, 0} {
		s.wholeBytes = whole
		from := &endless{block: noise(1_000_003), n: size - whole/size}
		d, n, err := pipeline.DigestReader(from)
		must(t, err)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		must(t, s.Put(t.Context(), d, from))
		if copied, err := store.CopyBlob(t.Context(), s, d, io.Discard); copied != n || err != nil {
			t.Errorf("CopyBlob: %d bytes, %v", copied, err)
		}
		runtime.ReadMemStats(&after)
		if used := after.TotalAlloc - before.TotalAlloc; used > most {
			t.Errorf("%d MB were allocated for a blob of %d MB, want at most %d", used>>20, size>>20, most>>20)
		}
	}
}

// TestManyAtOnce: hundreds of callers share one store, and its connections.
func TestManyAtOnce(t *testing.T) {
	t.Parallel()
	s := open(t, optionsOf(gateway(t)))
	var callers sync.WaitGroup
	for i := range 300 {
		callers.Go(func() {
			ctx, name := t.Context(), fmt.Sprintf("commits/%03d.json", i)
			data := []byte(name)
			err := errors.Join(
				store.Create(ctx, s, name, data),
				s.Put(ctx, pipeline.DigestOf(data), bytes.NewReader(data)),
				second(store.CopyBlob(ctx, s, pipeline.DigestOf(data), io.Discard)))
			got, readErr := store.ReadObject(ctx, s, name)
			if err = errors.Join(err, readErr); err != nil || !bytes.Equal(got, data) {
				t.Errorf("caller %d: %q, %v", i, got, err)
			}
		})
	}
	callers.Wait()
	var names []string
	must(t, s.List(t.Context(), "commits/", func(i store.Info) error { names = append(names, i.Name); return nil }))
	if len(names) != 300 || !slices.IsSorted(names) {
		t.Errorf("%d names", len(names))
	}
}

// TestPages: a listing of several pages misses nothing, also where a page has
// to be asked for again.
func TestPages(t *testing.T) {
	t.Parallel()
	s := open(t, fakeOptions(t, ""))
	const n = 2*pageSize + 7
	want := make([]string, n)
	var writers sync.WaitGroup
	for w := range 8 {
		writers.Go(func() {
			for i := w; i < n; i += 8 {
				want[i] = fmt.Sprintf("attempts/%05d.json", i)
				if _, err := s.Swap(t.Context(), want[i], store.Absent, nil); err != nil {
					t.Error(err)
				}
			}
		})
	}
	writers.Wait()
	var got []string
	must(t, s.List(t.Context(), "attempts/", func(i store.Info) error { got = append(got, i.Name); return nil }))
	if !slices.Equal(got, want) {
		t.Errorf("%d names, want %d", len(got), n)
	}
}

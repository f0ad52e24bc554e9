package s3

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

const titleName = "titles/t/title.json"

// TestLostReply: what was stored although we heard no answer is ours, once,
// whatever stands between us and the server.
func TestLostReply(t *testing.T) {
	t.Parallel()
	s, p := through(t, gateway(t))
	for name, m := range map[string]mishap{"reply lost": loseReply, "502 after it was done": failAfter, "sent twice by a proxy": sendTwice} {
		t.Run(name, func(t *testing.T) {
			p.play(nil)
			must(t, s.Delete(t.Context(), titleName))
			p.play(times(1, "PUT", m))
			v1, err := s.Swap(t.Context(), titleName, store.Absent, []byte("one"))
			must(t, err)
			p.play(times(1, "PUT", m))
			v2, err := s.Swap(t.Context(), titleName, v1, []byte("two"))
			must(t, err)
			if info, err := s.Stat(t.Context(), titleName); err != nil || info.Version != v2 {
				t.Errorf("version %q stands, %v; Swap said %q", info.Version, err, v2)
			}
			must(t, s.Delete(t.Context(), titleName))
			type counter struct{ Seq int }
			for i := range 5 {
				p.play(times(1+i%2, "PUT", m))
				must(t, store.Update(t.Context(), s, titleName, func(c *counter) error { c.Seq++; return nil }))
			}
			var c counter
			if must(t, store.ReadJSON(t.Context(), s, titleName, &c)); c.Seq != 5 {
				t.Errorf("%d updates counted, want 5", c.Seq)
			}
			p.play(times(1, "PUT", m))
			must(t, store.Create(t.Context(), s, "commits/"+strings.ReplaceAll(name, " ", "-"), []byte("x")))
		})
	}
}

// TestLostReplyAndSomeoneElse: once another has written we can't know whether
// ours stood between, and say neither success nor ErrConflict.
func TestLostReplyAndSomeoneElse(t *testing.T) {
	t.Parallel()
	g := gateway(t)
	s, p := through(t, g)
	other := open(t, optionsOf(g))
	v1, err := s.Swap(t.Context(), titleName, store.Absent, []byte("one"))
	must(t, err)
	lost := times(1, "PUT", loseReply)
	asked := 0
	p.play(func(r *http.Request) mishap {
		if asked++; asked == 2 { // between our two tries
			info, err := other.Stat(t.Context(), titleName)
			if err == nil {
				_, err = other.Swap(t.Context(), titleName, info.Version, []byte("theirs"))
			}
			if err != nil {
				t.Error(err)
			}
		}
		return lost(r)
	})
	_, err = s.Swap(t.Context(), titleName, v1, []byte("ours"))
	if err == nil || errors.Is(err, store.ErrConflict) || pipeline.KindOf(err) != pipeline.Infra || !strings.Contains(err.Error(), "a reply was lost") {
		t.Errorf("Swap: %v, want an error that says that we can't know", err)
	}
}

// TestConflict409: 409 is not a lost race: it is tried again, and is never
// ErrConflict when it does not end.
func TestConflict409(t *testing.T) {
	t.Parallel()
	s, p := through(t, gateway(t))
	p.play(times(3, "PUT", conflict))
	v, err := s.Swap(t.Context(), titleName, store.Absent, []byte("one"))
	must(t, err)
	p.play(times(1_000_000, "PUT", conflict))
	s.patience = 3 * time.Second
	if _, err = s.Swap(t.Context(), titleName, v, []byte("two")); pipeline.KindOf(err) != pipeline.Infra || errors.Is(err, store.ErrConflict) {
		t.Errorf("Swap: %v, want an error of kind infra", err)
	}
	if n := len(p.requests("PUT", titleName)); n < 2 {
		t.Errorf("%d tries", n)
	}
	// A 409 stores nothing, so a race lost after it is surely lost.
	p.play(times(1, "PUT", conflict))
	if _, err := s.Swap(t.Context(), titleName, store.Absent, []byte("three")); !errors.Is(err, store.ErrConflict) {
		t.Errorf("Swap: %v, want ErrConflict", err)
	}
}

// TestConditionOnTheWire: the largest object goes in one PUT that carries its
// condition. In parts the client would lose it.
func TestConditionOnTheWire(t *testing.T) {
	t.Parallel()
	s, p := through(t, gateway(t))
	p.play(nil)
	_, err := s.Swap(t.Context(), titleName, store.Absent, make([]byte, store.MaxObject))
	must(t, err)
	if puts := p.requests("PUT", ""); len(puts) != 1 || !strings.HasSuffix(puts[0], " *") || strings.Contains(puts[0], "uploadId") {
		t.Errorf("%q, want one PUT with If-None-Match: *", puts)
	}
}

// TestStorm: under overload and breaking connections everything is done in the
// end, and done right.
func TestStorm(t *testing.T) {
	t.Parallel()
	s, p := through(t, gateway(t))
	s.patience = 3 * time.Minute
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	dice := rand.New(rand.NewPCG(seed, 1))
	p.play(func(r *http.Request) mishap {
		switch n := dice.IntN(100); {
		case n < 20:
			return slowDown
		case n < 25:
			return loseReply
		case n < 30 && r.Method == http.MethodPut:
			return cutUpload
		case n < 35 && r.Method == http.MethodGet:
			return cutReply
		case n < 37:
			return failAfter
		case n < 40:
			return notFound
		}
		return fine
	})
	var writers sync.WaitGroup
	for i := range 8 {
		writers.Go(func() {
			data := bytes.Repeat([]byte{byte(i)}, 100_000+i)
			d := pipeline.DigestOf(data)
			name := "commits/" + string(d) + ".json"
			var copied bytes.Buffer
			err := errors.Join(
				s.Put(t.Context(), d, bytes.NewReader(data)),
				second(store.CopyBlob(t.Context(), s, d, &copied)),
				store.Create(t.Context(), s, name, []byte(d)))
			if err != nil || !bytes.Equal(copied.Bytes(), data) {
				t.Errorf("writer %d: %v, %d bytes read", i, err, copied.Len())
			}
		})
	}
	writers.Wait()
	n := 0
	must(t, s.List(t.Context(), "commits/", func(store.Info) error { n++; return nil }))
	if n != 8 {
		t.Errorf("%d commits, want 8", n)
	}
}

// TestBrokenUpload: of an upload whose connection breaks nothing shows, and
// the next try sends it from the start.
func TestBrokenUpload(t *testing.T) {
	t.Parallel()
	g := gateway(t)
	s, p := through(t, g)
	data := bytes.Repeat([]byte("audio "), 100_000)
	d := pipeline.DigestOf(data)
	broken := times(1, "PUT", cutUpload)
	p.play(func(r *http.Request) mishap {
		if _, err := os.Stat(filepath.Join(g.BucketDir("house"), store.BlobName(d))); err == nil && r.Method == http.MethodPut {
			t.Error("half a blob shows")
		}
		return broken(r)
	})
	must(t, s.Put(t.Context(), d, bytes.NewReader(data)))
	if n := len(p.requests("PUT", string(d))); n != 2 {
		t.Errorf("%d tries, want 2", n)
	}
	if _, err := store.CopyBlob(t.Context(), s, d, io.Discard); err != nil {
		t.Error(err)
	}
}

// TestBytesChangedOnTheWay: the digest is part of the signature, so the server
// refuses what a broken machine on the way makes of the bytes.
func TestBytesChangedOnTheWay(t *testing.T) {
	t.Parallel()
	s, p := through(t, gateway(t))
	data := bytes.Repeat([]byte("audio "), 1000)
	d := pipeline.DigestOf(data)
	s.patience = 300 * time.Millisecond
	p.play(times(1_000_000, "PUT", tamper))
	if err := s.Put(t.Context(), d, bytes.NewReader(data)); pipeline.KindOf(err) != pipeline.Infra || err == nil {
		t.Errorf("Put: %v, want an error of kind infra", err)
	}
	if _, err := s.Stat(t.Context(), store.BlobName(d)); !errors.Is(err, store.ErrAbsent) {
		t.Errorf("Stat: %v, want ErrAbsent", err)
	}
	p.play(times(1, "PUT", tamper))
	must(t, s.Put(t.Context(), d, bytes.NewReader(data)))
	if _, err := store.CopyBlob(t.Context(), s, d, io.Discard); err != nil {
		t.Error(err)
	}
}

// TestBrokenDownload: a read goes on where its connection broke, of the same
// state of the object.
func TestBrokenDownload(t *testing.T) {
	t.Parallel()
	g := gateway(t)
	s, p := through(t, g)
	data := bytes.Repeat([]byte("0123456789"), 100_000)
	d := pipeline.DigestOf(data)
	must(t, s.Put(t.Context(), d, bytes.NewReader(data)))
	p.play(times(3, "GET", cutReply))
	var got bytes.Buffer
	if _, err := store.CopyBlob(t.Context(), s, d, &got); err != nil || !bytes.Equal(got.Bytes(), data) {
		t.Errorf("%d bytes, %v", got.Len(), err)
	}
	gets := p.requests("GET", string(d))
	if len(gets) != 4 || !strings.Contains(gets[1], "bytes=500000-999999") || !strings.Contains(gets[3], "bytes=875000-999999") {
		t.Errorf("requests %q: want each from where the last broke", gets)
	}
	p.play(times(1, "GET", cutReply))
	r, err := s.Get(t.Context(), store.BlobName(d), 7, 1000)
	must(t, err)
	if got, err := io.ReadAll(r); err != nil || !bytes.Equal(got, data[7:1007]) {
		t.Errorf("range: %d bytes, %v", len(got), err)
	}
	must(t, r.Close())

	// An answer that always breaks ends in an error, not in a shorter object.
	p.play(times(1_000_000, "GET", cutReply))
	s.patience = 100 * time.Millisecond
	r, err = s.Get(t.Context(), store.BlobName(d), 0, -1)
	must(t, err)
	if n, err := io.Copy(io.Discard, r); err == nil {
		t.Errorf("read %d bytes without an error", n)
	}
	must(t, r.Close())
}

// TestChangedWhileRead: what breaks off is never read on in another state,
// neither one that someone swapped in nor one that a disk made.
func TestChangedWhileRead(t *testing.T) {
	t.Parallel()
	g := gateway(t)
	s, p := through(t, g)
	data := bytes.Repeat([]byte("0123456789"), 100_000)
	file := filepath.Join(g.BucketDir("house"), titleName)
	for name, change := range map[string]func(store.Version) error{
		"another state of the same size": func(v store.Version) error {
			return second(open(t, optionsOf(g)).Swap(t.Context(), titleName, v, bytes.ToUpper(bytes.Repeat([]byte("abcdefghij"), 100_000))))
		},
		"gone":             func(store.Version) error { return s.Delete(t.Context(), titleName) },
		"cut by the disk":  func(store.Version) error { return os.Truncate(file, 900_000) },
		"cut even shorter": func(store.Version) error { return os.Truncate(file, 100_000) },
	} {
		must(t, s.Delete(t.Context(), titleName))
		v, err := s.Swap(t.Context(), titleName, store.Absent, data)
		must(t, err)
		p.play(times(1, "GET", cutReply))
		r, err := s.Get(t.Context(), titleName, 0, -1)
		must(t, err)
		must(t, change(v))
		if got, err := io.ReadAll(r); err == nil || !strings.Contains(err.Error(), "changed by someone else while it was read") {
			t.Errorf("%s: read %d bytes of two states, %v", name, len(got), err)
		}
		must(t, r.Close())
	}
}

// TestNoHiddenTries: one try is one request. The client below would try again
// by itself, without our knowing what became of its first.
func TestNoHiddenTries(t *testing.T) {
	t.Parallel()
	s, p := through(t, gateway(t))
	s.patience = time.Nanosecond
	for _, m := range []mishap{slowDown, loseReply} {
		for op, call := range map[string]func() error{
			"HEAD":   func() error { return second(s.Stat(t.Context(), titleName)) },
			"GET":    func() error { return second(s.Get(t.Context(), titleName, 0, -1)) },
			"PUT":    func() error { return second(s.Swap(t.Context(), titleName, store.Absent, []byte("x"))) },
			"DELETE": func() error { return s.Delete(t.Context(), titleName) },
		} {
			p.play(func(*http.Request) mishap { return m })
			if err := call(); err == nil {
				t.Errorf("%s: no error", op)
			}
			// Go itself repeats what changes nothing when it finds the connection dead.
			if seen := p.requests("", ""); len(seen) != 1 && !(m == loseReply && (op == "GET" || op == "HEAD")) {
				t.Errorf("%s: requests %q, want one", op, seen)
			}
		}
	}
}

// TestDamagedInTheBucket: a file that a disk cut or turned is not taken for
// the blob, and can be put again.
func TestDamagedInTheBucket(t *testing.T) {
	t.Parallel()
	g := gateway(t)
	s := open(t, optionsOf(g))
	data := bytes.Repeat([]byte("audio "), 1000)
	d := pipeline.DigestOf(data)
	file := filepath.Join(g.BucketDir("house"), store.BlobName(d))
	must(t, s.Put(t.Context(), d, bytes.NewReader(data)))
	must(t, os.Truncate(file, 100))
	if _, err := store.CopyBlob(t.Context(), s, d, io.Discard); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("a file of 100 bytes: %v, want ErrDamaged", err)
	}
	if err := s.Put(t.Context(), d, bytes.NewReader(data[1:])); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("Put of other bytes: %v, want ErrDamaged", err)
	}
	must(t, s.Put(t.Context(), d, bytes.NewReader(data)))
	if _, err := store.CopyBlob(t.Context(), s, d, io.Discard); err != nil {
		t.Errorf("after it was put again: %v", err)
	}
}

// TestSilentServer: a server that stops in the middle holds nobody for ever.
func TestSilentServer(t *testing.T) {
	t.Parallel()
	g := gateway(t)
	s, err := newStore(optionsOf(g), timeouts{header: 500 * time.Millisecond, still: 500 * time.Millisecond})
	must(t, err)
	defer s.Close()
	data := bytes.Repeat([]byte("audio "), 2_000_000)
	d := pipeline.DigestOf(data)
	must(t, open(t, optionsOf(g)).Put(t.Context(), d, bytes.NewReader(data)))
	r, err := s.Get(t.Context(), store.BlobName(d), 0, -1)
	must(t, err)
	s.patience = time.Nanosecond // one try
	must(t, syscall.Kill(g.Pid(), syscall.SIGSTOP))
	defer func() { must(t, syscall.Kill(g.Pid(), syscall.SIGCONT)) }()
	if _, err := io.Copy(io.Discard, r); err == nil {
		t.Error("a body came out of a stopped server")
	}
	_ = r.Close()
	for name, err := range map[string]error{
		"Stat":  second(s.Stat(t.Context(), store.BlobName(d))),
		"Put":   s.Put(t.Context(), pipeline.DigestOf(nil), bytes.NewReader(nil)),
		"Swap":  second(s.Swap(t.Context(), titleName, store.Absent, nil)),
		"large": second(s.Swap(t.Context(), titleName, store.Absent, make([]byte, store.MaxObject))),
	} {
		if err == nil || errors.Is(err, context.DeadlineExceeded) || pipeline.KindOf(err) != pipeline.Infra || !strings.Contains(err.Error(), "no answer came") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestSlowServer: a server that sends slowly, but sends, is waited for.
func TestSlowServer(t *testing.T) {
	t.Parallel()
	const chunks = 8
	requests := 0
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		requests++
		w.Header().Set("ETag", `"v"`)
		w.Header().Set("Last-Modified", time.Now().UTC().Format(http.TimeFormat))
		w.Header().Set("Content-Length", fmt.Sprint(chunks))
		for range chunks {
			_, _ = w.Write([]byte("x"))
			_ = http.NewResponseController(w).Flush()
			time.Sleep(750 * time.Millisecond)
		}
	}))
	defer server.Close()
	s, err := newStore(Options{Endpoint: server.URL, Bucket: "house", AccessKey: "a", SecretKey: "s"}, timeouts{header: time.Minute, still: 4 * time.Second}) // of the 6 s that it takes
	must(t, err)
	defer s.Close()
	data, err := store.ReadObject(t.Context(), s, titleName)
	if err != nil || len(data) != chunks || requests != 1 {
		t.Errorf("%d bytes in %d requests, %v; want %d in one", len(data), requests, err, chunks)
	}
}

func second[T any](_ T, err error) error { return err }

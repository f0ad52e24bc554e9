package proxy

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"
)

// A Call is one request to a gateway.
type Call struct {
	At       time.Time
	Method   string
	Name     string // of the object, within the bucket; empty: of the bucket itself
	Query    string
	New, Old bool // it is made only if the object is absent, or only if it is at a version
	Status   int  // of the gateway's answer; 0: the gateway did not see the call, or has not answered yet
	Ended    time.Time
	Body     []byte // what a call that stores a kept name stores
}

// Wrote tells whether the call changed the bucket.
func (c Call) Wrote() bool {
	return (c.Method == http.MethodPut || c.Method == http.MethodPost || c.Method == http.MethodDelete) && c.Status/100 == 2
}

// HTTP passes requests on to a gateway as they are, the Host header too, which
// signatures cover.
type HTTP struct {
	traps[Call]
	to       string // host:port of the gateway
	bucket   string // first element of paths
	server   http.Server
	listener net.Listener
	keep     func(name string) bool
	out      http.Transport

	logged sync.Mutex
	calls  []Call
}

// NewHTTP listens at an address for a gateway at another, and tells names
// within a bucket. Of names that keep holds for, calls remember what they store.
func NewHTTP(listen, to, bucket string, keep func(name string) bool) (*HTTP, error) {
	ln, err := net.Listen("tcp", listen)
	if err != nil {
		return nil, err
	}
	p := &HTTP{to: to, bucket: bucket, listener: ln, keep: keep}
	p.out.DisableCompression = true
	p.server.Handler = p
	p.server.ErrorLog = nil
	go func() { _ = p.server.Serve(ln) }()
	return p, nil
}

// Addr is where it listens.
func (p *HTTP) Addr() string { return p.listener.Addr().String() }

// Close ends every connection.
func (p *HTTP) Close() {
	p.Clear()
	p.server.Close()
	p.out.CloseIdleConnections()
}

// Calls are those that were made so far, in the order they came.
func (p *HTTP) Calls() []Call {
	p.logged.Lock()
	defer p.logged.Unlock()
	return slices.Clone(p.calls)
}

// begun writes a call down and returns its place.
func (p *HTTP) begun(c Call) int {
	p.logged.Lock()
	defer p.logged.Unlock()
	p.calls = append(p.calls, c)
	return len(p.calls) - 1
}

func (p *HTTP) answered(i, status int) {
	p.logged.Lock()
	defer p.logged.Unlock()
	p.calls[i].Status, p.calls[i].Ended = status, time.Now()
}

// ServeHTTP passes one request on, or does to it what a trap says.
func (p *HTTP) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	c := Call{
		At: time.Now(), Method: r.Method, Query: r.URL.RawQuery,
		Name: strings.TrimPrefix(strings.TrimPrefix(r.URL.Path, "/"+p.bucket), "/"),
		New:  r.Header.Get("If-None-Match") != "", Old: r.Header.Get("If-Match") != "",
	}
	if c.Method == http.MethodPut && p.keep(c.Name) {
		raw, err := io.ReadAll(r.Body)
		if err == nil {
			c.Body, err = Body(r, raw)
		}
		if err != nil {
			broken(w)
			return
		}
		r.Body = io.NopCloser(bytes.NewReader(raw))
	}
	i := p.begun(c)
	trap := p.caught(c)
	fate := Pass
	if trap != nil {
		fate = trap.fate
	}
	ctx := r.Context()
	switch fate {
	case Cut:
		broken(w)
		return
	case Refuse:
		w.Header().Set("Retry-After", "1")
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	case Hold:
		// What was sent arrives, though the sender may be gone by then.
		body, err := io.ReadAll(r.Body)
		if err != nil || !trap.held() {
			broken(w)
			return
		}
		r.Body = io.NopCloser(bytes.NewReader(body))
		ctx = context.WithoutCancel(ctx)
	}
	answer, err := p.pass(ctx, r)
	if err != nil {
		broken(w)
		return
	}
	defer answer.Body.Close()
	p.answered(i, answer.StatusCode)
	switch {
	case fate == DropReply, fate == HoldReply && !trap.held():
		_, _ = io.Copy(io.Discard, answer.Body)
		broken(w)
		return
	}
	for k, v := range answer.Header {
		w.Header()[k] = v
	}
	w.WriteHeader(answer.StatusCode)
	if _, err := io.Copy(w, answer.Body); err != nil {
		broken(w)
	}
}

// pass makes the same request of the gateway.
func (p *HTTP) pass(ctx context.Context, r *http.Request) (*http.Response, error) {
	u := url.URL{Scheme: "http", Host: p.to, Path: r.URL.Path, RawPath: r.URL.RawPath, RawQuery: r.URL.RawQuery}
	out, err := http.NewRequestWithContext(ctx, r.Method, u.String(), r.Body)
	if err != nil {
		return nil, err
	}
	out.Header = r.Header.Clone()
	out.Header.Del("Connection")
	out.Host, out.ContentLength, out.TransferEncoding = r.Host, r.ContentLength, r.TransferEncoding
	if r.ContentLength == 0 {
		out.Body = http.NoBody
	}
	if out.Header.Get("User-Agent") == "" {
		out.Header.Set("User-Agent", "") // else the client would name itself
	}
	return p.out.RoundTrip(out)
}

// broken ends the client's connection without an answer.
func broken(w http.ResponseWriter) {
	h, ok := w.(http.Hijacker)
	if !ok {
		panic(http.ErrAbortHandler)
	}
	conn, _, err := h.Hijack()
	if errors.Is(err, http.ErrHijacked) || conn == nil {
		panic(http.ErrAbortHandler)
	}
	reset(conn)
}

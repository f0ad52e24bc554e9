package s3

import (
	"bytes"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"

	"chapterhouse/pipeline/store/s3/s3test"
)

// A mishap is what happens to one request on its way.
type mishap int

const (
	fine      mishap = iota
	loseReply        // the server does it, the connection ends without an answer
	cutUpload        // the connection ends in the middle of the request's body
	cutReply         // the connection ends in the middle of the answer's body
	sendTwice        // as a proxy does that got no answer in time
	slowDown         // 503 and nothing is done
	failAfter        // the server does it, and a proxy says 502
	conflict         // 409 ConditionalRequestConflict and nothing is done
	notFound         // 404 of a proxy that knows no server
	tamper           // one bit of the request's body is turned
)

// proxy stands between a store and a gateway and lets a script decide what
// happens to each request.
type proxy struct {
	*httptest.Server
	to     *url.URL
	client http.Transport

	mu     sync.Mutex
	script func(*http.Request) mishap // nil all is fine
	seen   []string                   // method, path and query of every request
}

func newProxy(t testing.TB, g *s3test.Gateway) *proxy {
	t.Helper()
	to, err := url.Parse(g.Endpoint)
	must(t, err)
	p := &proxy{to: to}
	p.client.DisableCompression = true
	p.Server = httptest.NewServer(p)
	t.Cleanup(func() { p.Close(); p.client.CloseIdleConnections() })
	return p
}

// play sets the script and forgets what was seen.
func (p *proxy) play(script func(*http.Request) mishap) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.script, p.seen = script, nil
}

// requests are those since play whose line starts with a method and contains text.
func (p *proxy) requests(method, text string) (found []string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, line := range p.seen {
		if strings.HasPrefix(line, method) && strings.Contains(line, text) {
			found = append(found, line)
		}
	}
	return found
}

// times lets a mishap happen to the first n requests of a method.
func times(n int, method string, m mishap) func(*http.Request) mishap {
	return func(r *http.Request) mishap {
		if r.Method != method || n == 0 {
			return fine
		}
		n--
		return m
	}
}

func (p *proxy) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	p.mu.Lock()
	p.seen = append(p.seen, r.Method+" "+r.URL.String()+" "+r.Header.Get("Range")+r.Header.Get("If-None-Match"))
	m := fine
	if p.script != nil {
		m = p.script(r)
	}
	p.mu.Unlock()
	said := func(status int, code string) {
		w.WriteHeader(status)
		_, _ = io.WriteString(w, "<Error><Code>"+code+"</Code><Message>so it is</Message></Error>")
	}
	body := io.Reader(r.Body)
	switch m {
	case slowDown:
		said(http.StatusServiceUnavailable, "SlowDown")
		return
	case conflict:
		said(http.StatusConflict, "ConditionalRequestConflict")
		return
	case notFound:
		http.Error(w, "default backend - 404", http.StatusNotFound)
		return
	case cutUpload:
		_, _ = io.CopyN(io.Discard, r.Body, r.ContentLength/2)
		panic(http.ErrAbortHandler)
	case sendTwice, tamper:
		data, err := io.ReadAll(r.Body)
		if err != nil {
			panic(http.ErrAbortHandler)
		}
		if m == tamper {
			data[len(data)/2] ^= 1
		} else if _, err := p.forward(r, bytes.NewReader(data)); err != nil {
			panic(http.ErrAbortHandler)
		}
		body = bytes.NewReader(data)
	}
	answer, err := p.forward(r, body)
	if err != nil || m == loseReply {
		panic(http.ErrAbortHandler)
	}
	if m == failAfter {
		http.Error(w, "<html>bad gateway</html>", http.StatusBadGateway)
		return
	}
	for name, values := range answer.header {
		w.Header()[name] = values
	}
	w.WriteHeader(answer.status)
	if m == cutReply {
		_, _ = w.Write(answer.body[:len(answer.body)/2])
		_ = http.NewResponseController(w).Flush()
		panic(http.ErrAbortHandler)
	}
	_, _ = w.Write(answer.body)
}

type reply struct {
	status int
	header http.Header
	body   []byte
}

func (p *proxy) forward(r *http.Request, body io.Reader) (reply, error) {
	out := r.Clone(r.Context())
	out.RequestURI = ""
	out.URL.Scheme, out.URL.Host = p.to.Scheme, p.to.Host // and Host, which is signed, stays
	out.Body = io.NopCloser(body)
	if r.ContentLength == 0 {
		out.Body = nil
	}
	got, err := p.client.RoundTrip(out)
	if err != nil {
		return reply{}, err
	}
	defer got.Body.Close()
	data, err := io.ReadAll(got.Body)
	return reply{got.StatusCode, got.Header, data}, err
}

// through is a store that reaches the gateway through a proxy.
func through(t testing.TB, g *s3test.Gateway) (*Store, *proxy) {
	t.Helper()
	p := newProxy(t, g)
	o := optionsOf(g)
	o.Endpoint = p.URL
	return open(t, o), p
}

package proxy

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"
)

// bucket is a gateway that remembers what it was told.
type bucket struct {
	mu   sync.Mutex
	told []string
}

func (b *bucket) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	b.mu.Lock()
	b.told = append(b.told, r.Host+" "+r.Method+" "+r.URL.RequestURI()+" "+string(body))
	b.mu.Unlock()
	w.Header().Set("ETag", `"7"`)
	if strings.Contains(r.URL.Path, "absent") {
		w.WriteHeader(http.StatusNotFound)
	}
	_, _ = io.WriteString(w, "there")
}

func (b *bucket) heard() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string{}, b.told...)
}

func aProxy(t *testing.T) (*HTTP, *bucket, func(method, path, body string) (int, error)) {
	b := &bucket{}
	s := httptest.NewServer(b)
	t.Cleanup(s.Close)
	p, err := NewHTTP("127.0.0.1:0", s.Listener.Addr().String(), "night", func(name string) bool { return strings.HasPrefix(name, "commits/") })
	must(t, err)
	t.Cleanup(p.Close)
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	return p, b, func(method, path, body string) (int, error) {
		r, err := http.NewRequestWithContext(t.Context(), method, "http://"+p.Addr()+path, strings.NewReader(body))
		must(t, err)
		r.Host = "storage.example"
		r.Header.Set("If-None-Match", "*")
		answer, err := client.Do(r)
		if err != nil {
			return 0, err
		}
		defer answer.Body.Close()
		_, err = io.ReadAll(answer.Body)
		return answer.StatusCode, err
	}
}

func named(name string) func(Call) bool { return func(c Call) bool { return c.Name == name } }

func TestHTTPPasses(t *testing.T) {
	p, b, call := aProxy(t)
	code, err := call("PUT", "/night/commits/a%2Bb.json?x=1", "{}")
	if err != nil || code != 200 {
		t.Fatal(code, err)
	}
	if _, err := call("GET", "/night/absent", ""); err != nil {
		t.Fatal(err)
	}
	if got := b.heard(); got[0] != "storage.example PUT /night/commits/a%2Bb.json?x=1 {}" {
		t.Errorf("the gateway heard %q", got)
	}
	c := p.Calls()
	if len(c) != 2 || c[0].Name != "commits/a+b.json" || c[0].Query != "x=1" || !c[0].New || c[0].Old || !c[0].Wrote() || string(c[0].Body) != "{}" || c[1].Status != 404 || c[1].Wrote() {
		t.Errorf("it remembers %+v", c)
	}
}

// TestHTTPFates: what a client sees of a fate, and whether the gateway was told.
func TestHTTPFates(t *testing.T) {
	for _, c := range []struct {
		name   string
		fate   Fate
		code   int
		broken bool
		heard  int
	}{
		{"pass", Pass, 200, false, 1},
		{"drop reply", DropReply, 0, true, 1},
		{"cut", Cut, 0, true, 0},
		{"refuse", Refuse, 503, false, 0},
	} {
		p, b, call := aProxy(t)
		trap := p.Catch(c.fate, 1, 1, named("commits/a"))
		for _, path := range []string{"/night/commits/b", "/night/commits/a"} { // another, and one that is let through
			if code, err := call("PUT", path, "x"); err != nil || code != 200 {
				t.Errorf("%s: %s before: %d, %v", c.name, path, code, err)
			}
		}
		code, err := call("PUT", "/night/commits/a", "x")
		if code != c.code || (err != nil) != c.broken || len(b.heard()) != 2+c.heard {
			t.Errorf("%s: %d, %v; the gateway heard %q", c.name, code, err, b.heard())
		}
		if got, err := trap.Wait(t.Context()); err != nil || got.Name != "commits/a" {
			t.Errorf("%s: caught %+v, %v", c.name, got, err)
		}
		if code, err := call("PUT", "/night/commits/a", "x"); err != nil || code != 200 {
			t.Errorf("%s: afterwards: %d, %v", c.name, code, err)
		}
	}
}

// TestHTTPHolds: a held call reaches the gateway when it is released, though
// its sender be gone, and never when it is dropped.
func TestHTTPHolds(t *testing.T) {
	for _, c := range []struct {
		name  string
		fate  Fate
		end   func(*Trap[Call])
		early int // heard while it is held
		late  int
		fails bool
	}{
		{"held, released", Hold, (*Trap[Call]).Release, 0, 1, false},
		{"held, dropped", Hold, (*Trap[Call]).Drop, 0, 0, true},
		{"reply held, released", HoldReply, (*Trap[Call]).Release, 1, 1, false},
		{"reply held, dropped", HoldReply, (*Trap[Call]).Drop, 1, 1, true},
	} {
		p, b, call := aProxy(t)
		trap := p.Catch(c.fate, 0, 1, named("commits/a"))
		failed := make(chan bool)
		go func() {
			_, err := call("PUT", "/night/commits/a", "late")
			failed <- err != nil
		}()
		_, err := trap.Wait(t.Context())
		must(t, err)
		for end := time.Now().Add(time.Minute); len(b.heard()) < c.early && time.Now().Before(end); {
			time.Sleep(time.Millisecond)
		}
		if got := len(b.heard()); got != c.early {
			t.Errorf("%s: %d calls heard while it is held", c.name, got)
		}
		c.end(trap)
		if got := <-failed; got != c.fails || len(b.heard()) != c.late {
			t.Errorf("%s: fails %t, %d calls heard", c.name, got, len(b.heard()))
		}
	}
	p, b, _ := aProxy(t)
	trap := p.Catch(Hold, 0, 1, named("commits/a"))
	ctx, gone := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		r, _ := http.NewRequestWithContext(ctx, "PUT", "http://"+p.Addr()+"/night/commits/a", strings.NewReader("from a dead one"))
		_, _ = http.DefaultClient.Do(r)
	}()
	_, err := trap.Wait(t.Context())
	must(t, err)
	gone()
	<-ended
	trap.Release()
	for end := time.Now().Add(time.Minute); len(b.heard()) == 0 && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
	if got := b.heard(); len(got) != 1 || !strings.HasSuffix(got[0], "from a dead one") {
		t.Errorf("of a sender that is gone the gateway heard %q", got)
	}
}

package s3

import (
	"crypto/md5"
	"encoding/xml"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// fake is a server that keeps conditions in one of the wrong ways that were
// found in real ones. It verifies no signatures.
type fake struct {
	wrong string // see put
	mu    sync.Mutex
	seen  map[string]fakeObject
}

type fakeObject struct {
	data       []byte
	etag, mark string
}

// fakeOptions starts a fake with a bucket "house".
func fakeOptions(t testing.TB, wrong string) Options {
	t.Helper()
	server := httptest.NewServer(&fake{wrong: wrong, seen: map[string]fakeObject{}})
	t.Cleanup(server.Close)
	return Options{Endpoint: server.URL, Bucket: "house", AccessKey: "a", SecretKey: "s", Patience: 5 * time.Second}
}

func (f *fake) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	key, ok := strings.CutPrefix(r.URL.Path, "/house/")
	switch {
	case !ok:
		refuse(w, http.StatusNotFound, "NoSuchBucket")
	case key == "":
		f.list(w, r)
	case r.Method == http.MethodPut:
		f.put(w, r, key)
	case r.Method == http.MethodDelete:
		f.mu.Lock()
		defer f.mu.Unlock()
		delete(f.seen, key)
		w.WriteHeader(http.StatusNoContent)
	default:
		f.get(w, r, key)
	}
}

func refuse(w http.ResponseWriter, status int, code string) {
	w.Header().Set("Content-Type", "application/xml")
	w.WriteHeader(status)
	fmt.Fprintf(w, "<Error><Code>%s</Code><Message>%s, says the fake</Message></Error>", code, code)
}

func (f *fake) put(w http.ResponseWriter, r *http.Request, key string) {
	data, err := io.ReadAll(r.Body)
	if err != nil {
		return
	}
	holds := func() bool {
		there, ok := f.seen[key]
		if r.Header.Get("If-None-Match") == "*" && ok {
			return false
		}
		match := strings.Trim(r.Header.Get("If-Match"), `"`)
		return match == "" || ok && there.etag == match
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	kept := holds()
	switch f.wrong {
	case "ignores conditions":
		kept = true
	case "ignores If-Match where nothing is":
		if _, ok := f.seen[key]; !ok {
			kept = true
		}
	case "checks, then lets others in":
		f.mu.Unlock()
		time.Sleep(2 * time.Millisecond)
		f.mu.Lock()
	}
	etag := fmt.Sprintf("%x", md5.Sum(data))
	if kept {
		f.seen[key] = fakeObject{data, etag, r.Header.Get("X-Amz-Meta-Mark")}
	} else if f.wrong == "says no and stores" {
		f.seen[key] = fakeObject{data: data, etag: etag} // it keeps no metadata either
	}
	if !kept {
		refuse(w, http.StatusPreconditionFailed, "PreconditionFailed")
		return
	}
	w.Header().Set("ETag", `"`+etag+`"`)
}

func (f *fake) get(w http.ResponseWriter, r *http.Request, key string) {
	f.mu.Lock()
	o, ok := f.seen[key]
	f.mu.Unlock()
	if !ok {
		refuse(w, http.StatusNotFound, "NoSuchKey")
		return
	}
	first, last := 0, len(o.data)-1
	status := http.StatusOK
	if spec, ok := strings.CutPrefix(r.Header.Get("Range"), "bytes="); ok && f.wrong != "ignores ranges" {
		from, to, _ := strings.Cut(spec, "-")
		first, _ = strconv.Atoi(from)
		if n, err := strconv.Atoi(to); err == nil {
			last = min(last, n)
		}
		if first >= len(o.data) {
			refuse(w, http.StatusRequestedRangeNotSatisfiable, "InvalidRange")
			return
		}
		status = http.StatusPartialContent
		w.Header().Set("Content-Range", fmt.Sprintf("bytes %d-%d/%d", first, last, len(o.data)))
	}
	w.Header().Set("ETag", `"`+o.etag+`"`)
	w.Header().Set("X-Amz-Meta-Mark", o.mark)
	w.Header().Set("Last-Modified", time.Now().UTC().Format(http.TimeFormat))
	w.Header().Set("Content-Length", strconv.Itoa(last+1-first))
	w.WriteHeader(status)
	_, _ = w.Write(o.data[first : last+1])
}

func (f *fake) list(w http.ResponseWriter, r *http.Request) {
	type content struct {
		Key, ETag string
		Size      int
	}
	var page struct {
		XMLName               xml.Name `xml:"ListBucketResult"`
		IsTruncated           bool
		NextContinuationToken string
		Contents              []content
	}
	q := r.URL.Query()
	most, _ := strconv.Atoi(q.Get("max-keys"))
	f.mu.Lock()
	defer f.mu.Unlock()
	for key, o := range f.seen {
		if (strings.HasPrefix(key, q.Get("prefix")) || f.wrong == "ignores prefixes") && key > max(q.Get("start-after"), q.Get("continuation-token")) {
			page.Contents = append(page.Contents, content{key, `"` + o.etag + `"`, len(o.data)})
		}
	}
	slices.SortFunc(page.Contents, func(a, b content) int { return strings.Compare(a.Key, b.Key) })
	if f.wrong == "lists in another order" {
		slices.Reverse(page.Contents)
	}
	if page.IsTruncated = len(page.Contents) > most; page.IsTruncated {
		page.Contents = page.Contents[:most]
		page.NextContinuationToken = page.Contents[most-1].Key
	}
	_ = xml.NewEncoder(w).Encode(page)
}

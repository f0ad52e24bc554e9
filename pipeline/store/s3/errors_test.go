package s3

import (
	"context"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// canary is a secret that must stand in no error.
const canary = "canary-5f1e-secret"

// says checks an error for a person: where, what, what to do, and no secret.
func says(t *testing.T, what string, err error, words ...string) {
	t.Helper()
	if err == nil {
		t.Errorf("%s: no error", what)
		return
	}
	text := err.Error()
	for _, w := range words {
		if !strings.Contains(text, w) {
			t.Errorf("%s: %q, want %q in it", what, text, w)
		}
	}
	if strings.Contains(text, canary) || strings.Contains(text, "Signature=") || strings.Contains(text, "\n") {
		t.Errorf("%s: %q tells a secret, or more than a line", what, text)
	}
	if pipeline.KindOf(err) != pipeline.Infra || errors.Is(err, store.ErrAbsent) || errors.Is(err, store.ErrConflict) {
		t.Errorf("%s: %v, want an error of kind infra and no other", what, err)
	}
}

// TestWrongSettings are refused with the setting's name.
func TestWrongSettings(t *testing.T) {
	t.Parallel()
	good := fakeOptions(t, "")
	good.SecretKey, good.Patience = canary, time.Millisecond
	empty := filepath.Join(t.TempDir(), "ca.pem")
	must(t, os.WriteFile(empty, []byte("no certificate"), 0o644))
	for _, c := range []struct {
		name   string
		change func(*Options)
		want   string
	}{
		{"no endpoint", func(o *Options) { o.Endpoint = "" }, "s3.endpoint must be https://host"},
		{"no scheme", func(o *Options) { o.Endpoint = "storage:9000" }, "s3.endpoint must be"},
		{"keys in the endpoint", func(o *Options) { o.Endpoint = "https://me:" + canary + "@storage" }, "s3.endpoint must be"},
		{"a bucket in the endpoint", func(o *Options) { o.Endpoint += "/house" }, "s3.endpoint must be"},
		{"no keys", func(o *Options) { o.SecretKey = "" }, "s3.secret_key_file"},
		{"odd prefix", func(o *Options) { o.Prefix = "Our House" }, "can't be the prefix"},
		{"long prefix", func(o *Options) { o.Prefix = strings.Repeat("x", 101) }, "can't be the prefix"},
		{"no file of certificates", func(o *Options) { o.CAFile = "/nowhere.pem" }, "s3.ca_file"},
		{"no certificate in it", func(o *Options) { o.CAFile = empty }, "s3.ca_file"},
		{"no bucket's name", func(o *Options) { o.Bucket = "" }, "ucket"},
		{"another bucket", func(o *Options) { o.Bucket = "mouse" }, "/mouse: there is no such bucket (NoSuchBucket, status 404); make it"},
		{"TLS to a server without", func(o *Options) { o.Endpoint = strings.Replace(o.Endpoint, "http:", "https:", 1) }, "write s3.endpoint with http://"},
		{"nobody there", func(o *Options) { o.Endpoint = "http://127.0.0.1:1" }, "see that it runs and may be reached from here"},
	} {
		o := good
		c.change(&o)
		_, err := Open(t.Context(), o)
		says(t, c.name, err, c.want)
	}
}

// TestAnswers: what each answer means to a person.
func TestAnswers(t *testing.T) {
	t.Parallel()
	var status int
	var code string
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		if code == "" {
			http.Error(w, "<html>\n<h1>nginx</h1>\n</html>", status)
			return
		}
		refuse(w, status, code)
	}))
	defer server.Close()
	o := Options{Endpoint: server.URL, Bucket: "house", AccessKey: "a", SecretKey: canary, Patience: time.Nanosecond}
	s, err := newStore(o, usualTimeouts)
	must(t, err)
	defer s.Close()
	for _, c := range []struct {
		status  int
		code    string
		refused bool
		want    string
	}{
		{403, "AccessDenied", true, "see to their policy"},
		{403, "", false, "does not speak S3"},
		{401, "Unauthorized", true, "see to their policy"},
		{403, "InvalidAccessKeyId", true, "does not know this s3.access_key"},
		{403, "SignatureDoesNotMatch", true, "s3.secret_key is not the one"},
		{403, "RequestTimeTooSkewed", false, "set this machine's clock"},
		{400, "AuthorizationHeaderMalformed", false, "set s3.region"},
		{301, "PermanentRedirect", false, "set s3.region"},
		{404, "NoSuchBucket", false, "there is no such bucket"},
		{404, "", false, "does not speak S3 (status 404); see to s3.endpoint"},
		{405, "MethodNotAllowed", false, "can't do what we need"},
		{501, "NotImplemented", false, "can't do what we need"},
		{500, "InternalError", false, ", status 500), and did so for all the time we tried"},
		{502, "", false, "it failed (Bad Gateway, status 502)"},
		{503, "SlowDown", false, ", status 503), and was for all the time we tried"},
		{503, "", false, "overloaded or not ready"},
		{507, "", false, "it is full"},
		{507, "XMinioStorageFull", false, "it is full"},
		{400, "Surprise", false, "Surprise, says the fake"},
	} {
		status, code = c.status, c.code
		for op, err := range map[string]error{
			"Get":    second(s.Get(t.Context(), titleName, 0, -1)),
			"Stat":   second(s.Stat(t.Context(), titleName)),
			"Swap":   second(s.Swap(t.Context(), titleName, store.Absent, nil)),
			"Put":    s.Put(t.Context(), pipeline.DigestOf(nil), strings.NewReader("")),
			"Delete": s.Delete(t.Context(), titleName),
			"List":   s.List(t.Context(), "titles/", func(store.Info) error { return nil }),
		} {
			says(t, fmt.Sprintf("%s answered %d %s", op, c.status, c.code), err, c.want, server.URL+"/house")
			if errors.Is(err, ErrRefused) != c.refused {
				t.Errorf("%s answered %d %s: %v, ErrRefused %v", op, c.status, c.code, err, !c.refused)
			}
		}
	}
}

// TestWithoutRights: to keys that may not list, storage says 403 for what is
// not there, and that is not taken for absent.
func TestWithoutRights(t *testing.T) {
	t.Parallel()
	g := gateway(t)
	must(t, g.AddUser("worker-1", canary))
	policy := func(actions string) string {
		return `{"Version": "2012-10-17", "Statement": [{"Effect": "Allow", "Principal": {"AWS": ["worker-1"]}, "Action": [` + actions + `],
			"Resource": ["arn:aws:s3:::house", "arn:aws:s3:::house/*"]}]}`
	}
	must(t, g.SetPolicy("house", policy(`"s3:GetObject", "s3:ListBucket"`)))
	o := optionsOf(g)
	o.AccessKey, o.SecretKey = "worker-1", canary
	s := open(t, o)
	if _, err := s.Stat(t.Context(), titleName); !errors.Is(err, store.ErrAbsent) {
		t.Errorf("Stat by who may list: %v, want ErrAbsent", err)
	}
	_, err := s.Swap(t.Context(), titleName, store.Absent, nil)
	says(t, "Swap", err, titleName, g.Endpoint, "see to their policy")

	must(t, g.SetPolicy("house", policy(`"s3:PutObject"`)))
	_, statErr := s.Stat(t.Context(), titleName)
	_, getErr := s.Get(t.Context(), titleName, 0, -1)
	_, openErr := Open(t.Context(), o)
	for op, err := range map[string]error{"Stat": statErr, "Get": getErr, "Open": openErr} {
		if says(t, op, err, "see to their policy"); !errors.Is(err, ErrRefused) {
			t.Errorf("%s: %v, want ErrRefused", op, err)
		}
	}
	must(t, g.RemoveUser("worker-1"))
	_, err = s.Stat(t.Context(), titleName)
	if says(t, "Stat by who was removed", err, "s3.access_key"); !errors.Is(err, ErrRefused) {
		t.Errorf("Stat by who was removed: %v, want ErrRefused", err)
	}
	o.AccessKey = g.AccessKey
	_, err = Open(t.Context(), o)
	says(t, "Open with another's secret", err, "s3.secret_key is not the one")
}

// TestBucketGone: when the bucket's disk is not there any more, nothing is
// absent: nobody can know.
func TestBucketGone(t *testing.T) {
	t.Parallel()
	g := gateway(t)
	s := open(t, optionsOf(g))
	s.patience = time.Nanosecond
	must(t, os.Rename(g.BucketDir("house"), filepath.Join(t.TempDir(), "house")))
	_, statErr := s.Stat(t.Context(), titleName)
	_, getErr := s.Get(t.Context(), titleName, 0, -1)
	for op, err := range map[string]error{
		"Stat": statErr, "Get": getErr, "Delete": s.Delete(t.Context(), titleName),
		"List": s.List(t.Context(), "", func(store.Info) error { return nil }),
	} {
		says(t, op, err, "there is no such bucket")
	}
}

func TestTLS(t *testing.T) {
	t.Parallel()
	server := httptest.NewUnstartedServer(&fake{seen: map[string]fakeObject{}})
	server.Config.ErrorLog = log.New(io.Discard, "", 0) // it complains of what we do on purpose
	server.StartTLS()
	defer server.Close()
	o := Options{Endpoint: server.URL, Bucket: "house", AccessKey: "a", SecretKey: canary, Patience: time.Minute}
	_, err := Open(t.Context(), o)
	says(t, "unknown authority", err, "name its authority in s3.ca_file")
	plain := o
	plain.Endpoint, plain.Patience = strings.Replace(o.Endpoint, "https:", "http:", 1), time.Nanosecond
	_, err = Open(t.Context(), plain)
	says(t, "HTTP to a TLS server", err, "does not speak S3 (status 400); see to s3.endpoint")
	o.CAFile = filepath.Join(t.TempDir(), "ca.pem")
	must(t, os.WriteFile(o.CAFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: server.Certificate().Raw}), 0o644))
	s := open(t, o)
	_, err = s.Swap(t.Context(), titleName, store.Absent, []byte("over TLS"))
	must(t, err)
	r, err := s.Get(t.Context(), titleName, 5, -1)
	must(t, err)
	defer r.Close()
	if got, err := io.ReadAll(r); string(got) != "TLS" || err != nil {
		t.Errorf("read %q, %v", got, err)
	}
}

// TestContextOver: an error of the caller's context is that and nothing else,
// also in the middle of trying again.
func TestContextOver(t *testing.T) {
	t.Parallel()
	g := gateway(t)
	o := optionsOf(g)
	o.Patience = time.Hour
	s := open(t, o)
	g.Stop()
	for want, limited := range map[error]func() (context.Context, context.CancelFunc){
		context.DeadlineExceeded: func() (context.Context, context.CancelFunc) {
			return context.WithTimeout(t.Context(), 300*time.Millisecond)
		},
		context.Canceled: func() (context.Context, context.CancelFunc) {
			ctx, cancel := context.WithCancel(t.Context())
			time.AfterFunc(300*time.Millisecond, cancel)
			return ctx, cancel
		},
	} {
		ctx, cancel := limited()
		if _, err := s.Stat(ctx, titleName); err != want {
			t.Errorf("Stat: %v, want %v", err, want)
		}
		cancel()
	}
}

// Package s3 is a store in a bucket of S3-compatible storage: a house's
// objects are the bucket's objects, under their names below a prefix.
//
// How each promise of store.Store is kept:
//   - Compare-and-swap is a PUT with If-None-Match or If-Match. Not every
//     server is atomic there: Probe finds out, and a store that failed it
//     emulates conditions (see Probe).
//   - A PUT carries the SHA-256 of its body in its signature, and the body
//     holds its end back until its digest is right: no server gets to store
//     other bytes.
//   - A reply that is lost is told from a lost race by a mark in the object's
//     metadata, one per Swap.
//   - What may pass by itself (overload, a broken connection, a server that
//     starts again) is tried again here, with growing random pauses, until
//     Options.Patience is over. The client below never tries twice by itself:
//     a second try that it hides would look like someone else's write.
//   - Only a server that says so has no such object. 403 is an error: many
//     servers say 403 instead of 404 to who may not list.
//
// Keys need to list, read and write below the prefix; who deletes, sweeps or
// probes has to be allowed to delete. The bucket should drop unfinished
// uploads after two days by itself (lifecycle AbortIncompleteMultipartUpload);
// Sweep does it where the server has no such rule.
package s3

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync/atomic"
	"time"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// ErrRefused: storage knows these keys and does not allow the call, or does
// not know them at all. Trying again does not help.
var ErrRefused = errors.New("refused by storage")

// Options say where the bucket is and who we are.
type Options struct {
	Endpoint  string // "https://host[:port]", or http:// for storage without TLS
	Region    string // "" is us-east-1, which most servers take for any
	Bucket    string // it must be there
	Prefix    string // "" or a name that all objects lie below, without a slash at its end
	AccessKey string
	SecretKey string
	CAFile    string // PEM certificates to trust besides the system's, "" none

	Patience time.Duration // how long a call that failed is tried again; 0 is a minute
}

// Store is a bucket's objects below a prefix.
type Store struct {
	core      *minio.Core
	transport *http.Transport
	where     string // endpoint and bucket, for people
	bucket    string
	prefix    string // "" or with a slash at its end
	patience  time.Duration

	wholeBytes, partBytes int64 // what goes in one request, and in parts of which size

	emulated atomic.Bool // conditions are ours, not the server's
	locks    [64]chan struct{}
}

const (
	defaultPatience = time.Minute
	openPatience    = 10 * time.Second // a wrong address should not take a minute to be said
	maxPrefix       = 100              // with store.CheckName's 900 bytes well within the 1,024 of a key
)

// Open connects to the bucket and lists one object, so that wrong settings
// are said at once.
func Open(ctx context.Context, o Options) (*Store, error) {
	s, err := newStore(o, usualTimeouts)
	if err != nil {
		return nil, err
	}
	patience := s.patience
	s.patience = min(patience, openPatience)
	if _, err := s.page(ctx, "", "", 1); err != nil {
		s.transport.CloseIdleConnections()
		return nil, err
	}
	s.patience = patience
	return s, nil
}

func newStore(o Options, t timeouts) (*Store, error) {
	endpoint, err := parseEndpoint(o.Endpoint)
	if err != nil {
		return nil, err
	}
	s := &Store{
		where: endpoint.String() + "/" + o.Bucket, bucket: o.Bucket, patience: o.Patience,
		wholeBytes: wholeBytes, partBytes: partBytes,
	}
	if s.patience == 0 {
		s.patience = defaultPatience
	}
	if prefix := strings.Trim(o.Prefix, "/"); prefix != "" {
		if store.CheckName(prefix) != nil || len(prefix) > maxPrefix {
			return nil, pipeline.Errorf(pipeline.Infra, "", "%q can't be the prefix of a store; use a-z 0-9 . _ - and slashes between, at most %d bytes", prefix, maxPrefix)
		}
		s.prefix = prefix + "/"
	}
	if o.AccessKey == "" || o.SecretKey == "" {
		return nil, pipeline.Errorf(pipeline.Infra, "", "storage at %s needs keys; set s3.access_key and s3.secret_key or s3.secret_key_file", s.where)
	}
	var authorities []byte
	if o.CAFile != "" {
		if authorities, err = os.ReadFile(o.CAFile); err != nil {
			return nil, pipeline.Errorf(pipeline.Infra, "", "%w; see to s3.ca_file", err)
		}
	}
	if s.transport, err = newTransport(authorities, t); err != nil {
		return nil, pipeline.Errorf(pipeline.Infra, "", "%s: %w; see to s3.ca_file", o.CAFile, err)
	}
	region := o.Region
	if region == "" {
		region = "us-east-1" // and not asked for, which takes one more right
	}
	s.core, err = minio.NewCore(endpoint.Host, &minio.Options{
		Creds: credentials.NewStaticV4(o.AccessKey, o.SecretKey, ""), Secure: endpoint.Scheme == "https",
		Transport: s.transport, Region: region, MaxRetries: 1,
	})
	if err != nil {
		return nil, pipeline.Errorf(pipeline.Infra, "", "%s can't be an S3 endpoint: %w; see to s3.endpoint", endpoint.Host, err)
	}
	for i := range s.locks {
		s.locks[i] = make(chan struct{}, 1)
	}
	return s, nil
}

// parseEndpoint never repeats what it refuses: someone may have put a secret there.
func parseEndpoint(text string) (*url.URL, error) {
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "" {
		return nil, pipeline.Errorf(pipeline.Infra, "", "s3.endpoint must be https://host, or http://host for storage without TLS, with :port where it needs one and nothing else")
	}
	u.Path = ""
	return u, nil
}

// Close gives up the connections.
func (s *Store) Close() error {
	s.transport.CloseIdleConnections()
	return nil
}

// key is an object's name in the bucket.
func (s *Store) key(name string) string { return s.prefix + name }

// begin is how every method starts.
func begin(ctx context.Context, checked error) error {
	if checked != nil {
		return checked
	}
	return ctx.Err()
}

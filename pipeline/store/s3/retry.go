package s3

import (
	"context"
	"crypto/tls"
	"errors"
	"math/rand/v2"
	"net/http"
	"strings"
	"time"

	"github.com/minio/minio-go/v7"
)

const (
	firstPause = 50 * time.Millisecond
	maxPause   = 5 * time.Second
)

// retry makes tries until one succeeds, one fails for good, or the next would
// come after the store's patience is over, which begins to run with the first
// failure: a long transfer that breaks at its end gets a second chance. Pauses
// double and are random, so that hundreds of callers don't come back at the
// same moment. The error is the last try's, or the context's.
func (s *Store) retry(ctx context.Context, try func() error) error {
	var end time.Time
	for pause := firstPause; ; pause = min(2*pause, maxPause) {
		err := try()
		if err == nil {
			return nil
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if end.IsZero() {
			end = time.Now().Add(s.patience)
		}
		wait := time.Duration(rand.Int64N(int64(pause))) + firstPause/10
		if !passing(err) || time.Now().Add(wait).After(end) {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
		}
	}
}

// final is an error that no further try can mend, told to the caller as it is.
type final struct{ err error }

func (f *final) Error() string { return f.err.Error() }
func (f *final) Unwrap() error { return f.err }

// isFinal gives the error inside.
func isFinal(err error) (error, bool) {
	var f *final
	if errors.As(err, &f) {
		return f.err, true
	}
	return nil, false
}

// answer is the server's error answer, false where there was none.
func answer(err error) (minio.ErrorResponse, bool) {
	var said minio.ErrorResponse
	return said, errors.As(err, &said)
}

// spoken tells whether it was an S3 server that answered. Any other on the way
// can say 404 too, and the client makes a NoSuchKey of it.
func spoken(said minio.ErrorResponse) bool { return said.XMLName.Local == "Error" }

// is tells whether err is the server's answer of a status.
func is(err error, status int) bool {
	said, ok := answer(err)
	return ok && said.StatusCode == status
}

// absent tells whether the server says that there is no such object. A
// missing bucket is 404 as well, and no answer about an object.
func absent(err error) bool {
	said, ok := answer(err)
	return ok && spoken(said) && said.StatusCode == http.StatusNotFound && said.Code == minio.NoSuchKey
}

// passing tells whether the same request may succeed a moment later.
func passing(err error) bool {
	if _, ok := isFinal(err); ok {
		return false
	}
	said, ok := answer(err)
	if !ok {
		return !untrusted(err) && !plainHTTP(err)
	}
	switch said.Code {
	case "RequestTimeout", "SlowDown", "InternalError": // some servers send them with odd statuses
		return true
	case "XAmzContentSHA256Mismatch", "BadDigest", "IncompleteBody": // our bytes became others on their way
		return true
	}
	switch said.StatusCode {
	case http.StatusRequestTimeout, http.StatusConflict, http.StatusTooManyRequests, 499:
		return true
	case http.StatusNotFound: // a proxy that has lost its server for a moment
		return !spoken(said)
	case http.StatusNotImplemented:
		return false
	}
	return said.StatusCode >= 500
}

// sure tells whether a PUT that failed so has certainly stored nothing.
func sure(err error) bool {
	if _, ok := isFinal(err); ok {
		return true
	}
	said, ok := answer(err)
	return ok && said.StatusCode >= 400 && said.StatusCode < 499 && said.StatusCode != http.StatusRequestTimeout
}

// untrusted: the server's certificate is not one that we can verify.
func untrusted(err error) bool {
	var verification *tls.CertificateVerificationError
	return errors.As(err, &verification)
}

// plainHTTP: we speak TLS to a server that does not.
func plainHTTP(err error) bool {
	return strings.Contains(err.Error(), "server gave HTTP response to HTTPS client")
}

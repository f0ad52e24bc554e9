package s3

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// explain makes an error of a call on an object (or of a listing, name "") one
// of kind Infra that says where and what to do.
func (s *Store) explain(name string, err error) error {
	inner, ended := isFinal(err)
	switch {
	case err == nil, err == context.Canceled, err == context.DeadlineExceeded: // a timeout of the network is DeadlineExceeded too, but not the same
		return err
	case ended:
		return inner
	case absent(err):
		return fmt.Errorf("%s: %w", name, store.ErrAbsent)
	}
	op := s.where
	if name != "" {
		op = name + " in " + s.where
	}
	said, answered := answer(err)
	if !answered {
		return pipeline.Errorf(pipeline.Infra, op, "%w", unanswered(err))
	}
	if !spoken(said) && said.StatusCode < 500 {
		return pipeline.Errorf(pipeline.Infra, op, "what answers there does not speak S3 (status %d); see to s3.endpoint", said.StatusCode)
	}
	code := said.Code
	if !spoken(said) {
		code = http.StatusText(said.StatusCode)
	}
	code = fmt.Sprintf("%.60s, status %d", code, said.StatusCode)
	refused := func(advice string) error {
		return pipeline.Errorf(pipeline.Infra, op, "%w (%s); %s", ErrRefused, code, advice)
	}
	failed := func(advice string) error { return pipeline.Errorf(pipeline.Infra, op, "%s", fmt.Sprintf(advice, code)) }
	switch said.Code {
	case "NoSuchBucket":
		return failed("there is no such bucket (%s); make it, or see to the settings store and s3.endpoint")
	case "InvalidAccessKeyId":
		return refused("it does not know this s3.access_key")
	case "SignatureDoesNotMatch":
		return refused("s3.secret_key is not the one of s3.access_key")
	case "RequestTimeTooSkewed":
		return failed("this machine's clock and the server's are too far apart (%s); set this machine's clock")
	case "AuthorizationHeaderMalformed", "PermanentRedirect", "TemporaryRedirect", "InvalidRegion":
		return failed("the bucket is in another region (%s); set s3.region to the bucket's")
	case "XMinioStorageFull", "QuotaExceeded", "InsufficientCapacity":
		return failed("it is full (%s); free some space")
	case "EntityTooLarge":
		return failed("it takes no object that large (%s)")
	}
	switch status := said.StatusCode; {
	case status == http.StatusForbidden, status == http.StatusUnauthorized:
		return refused("these keys need the right to list, read and write there: see to their policy")
	case status == http.StatusInsufficientStorage:
		return failed("it is full (%s); free some space")
	case status == http.StatusServiceUnavailable, status == http.StatusTooManyRequests:
		return failed("it is overloaded or not ready (%s), and was for all the time we tried; see to it")
	case status == http.StatusNotImplemented, status == http.StatusMethodNotAllowed:
		return failed("it can't do what we need (%s); use another server or a newer version")
	case status >= 500:
		return failed("it failed (%s), and did so for all the time we tried; see to it")
	}
	return pipeline.Errorf(pipeline.Infra, op, "it did not do what we asked (%s): %.200s", code, said.Message)
}

// odd is for answers that no S3 server should give.
func (s *Store) odd(format string, args ...any) error {
	return &final{pipeline.Errorf(pipeline.Infra, s.where, "%s; use another server or a newer version", fmt.Sprintf(format, args...))}
}

// unanswered says what to do where no answer came.
func unanswered(err error) error {
	var request *url.Error
	if errors.As(err, &request) {
		err = request.Err // its address stands before it already
	}
	switch {
	case plainHTTP(err):
		return errors.New("it speaks plain HTTP; write s3.endpoint with http://")
	case untrusted(err):
		return fmt.Errorf("its certificate can't be verified (%v); name its authority in s3.ca_file", err)
	case strings.Contains(err.Error(), "closed by foreign host"):
		err = io.ErrUnexpectedEOF
	}
	return fmt.Errorf("no answer came, or half of one (%v); see that it runs and may be reached from here", err)
}

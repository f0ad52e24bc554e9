package s3

import (
	"bytes"
	"context"
	"errors"
	"io"
	"testing"
	"testing/synctest"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// TestPatience: a failure that does not pass is tried again until patience is
// over, which a long first try does not use up.
func TestPatience(t *testing.T) {
	t.Parallel()
	passes := errors.New("connection reset")
	synctest.Test(t, func(t *testing.T) {
		s := &Store{patience: time.Minute}
		begun, tries := time.Now(), 0
		err := s.retry(t.Context(), func() error { tries++; return passes })
		if took := time.Since(begun); !errors.Is(err, passes) || took < time.Minute-maxPause-time.Second || took > time.Minute || tries < 15 || tries > 60 {
			t.Errorf("%d tries in %v, %v; want some dozens in nearly a minute", tries, took, err)
		}
		tries = 0
		err = s.retry(t.Context(), func() error {
			if tries++; tries == 1 {
				time.Sleep(time.Hour) // an upload over a slow line, that breaks at its end
				return passes
			}
			return nil
		})
		if err != nil || tries != 2 {
			t.Errorf("%d tries, %v; want a second that succeeds", tries, err)
		}
		tries = 0
		if err := s.retry(t.Context(), func() error { tries++; return errMoved }); !errors.Is(err, errMoved) || tries != 1 {
			t.Errorf("%d tries, %v; want one of what is final", tries, err)
		}
	})
}

// TestBody: a request gets all bytes only if they are the right ones and are
// still wanted, and none once it is over.
func TestBody(t *testing.T) {
	t.Parallel()
	data := noise(100_000)
	over, cancel := context.WithCancel(t.Context())
	cancel()
	for _, c := range []struct {
		name string
		ctx  context.Context
		from []byte
		want error
	}{
		{"right", t.Context(), data, nil},
		{"right, and more behind", t.Context(), append(bytes.Clone(data), 1), nil},
		{"a bit of the last byte", t.Context(), append(bytes.Clone(data[:len(data)-1]), data[len(data)-1]^1), store.ErrDamaged},
		{"shorter", t.Context(), data[:len(data)-1], store.ErrDamaged},
		{"nothing", t.Context(), nil, store.ErrDamaged},
		{"called off", over, data, context.Canceled},
	} {
		whole := span{bytes.NewReader(c.from), 0, int64(len(data)), pipeline.DigestOf(data)}
		var got []byte
		err := whole.send(c.ctx, func(b io.Reader) (err error) { got, err = io.ReadAll(b); return err })
		if !errors.Is(err, c.want) || (len(got) == len(data)) != (c.want == nil) {
			t.Errorf("%s: %d bytes were sent, %v; want %v", c.name, len(got), err, c.want)
		}
	}
	from := bytes.NewReader(data)
	whole := span{from, 0, int64(len(data)), pipeline.DigestOf(data)}
	var kept io.Reader // as a transport does that has an answer before it has sent all
	must(t, whole.send(t.Context(), func(b io.Reader) error { kept = b; return nil }))
	if n, err := kept.Read(make([]byte, 10)); n != 0 || err == nil || from.Len() != len(data) {
		t.Errorf("a request that is over read %d bytes, %v", n, err)
	}
}

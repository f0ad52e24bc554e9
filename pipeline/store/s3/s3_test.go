package s3

import (
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"

	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/s3/s3test"
	"chapterhouse/pipeline/store/storetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// gateway starts a server with a bucket "house".
func gateway(t testing.TB) *s3test.Gateway {
	t.Helper()
	return s3test.For(t, "house")
}

func optionsOf(g *s3test.Gateway) Options {
	return Options{Endpoint: g.Endpoint, Bucket: "house", AccessKey: g.AccessKey, SecretKey: g.SecretKey, Patience: 5 * time.Second}
}

func open(t testing.TB, o Options) *Store {
	t.Helper()
	s, err := Open(t.Context(), o)
	must(t, err)
	t.Cleanup(func() { must(t, s.Close()) })
	return s
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// TestStore runs the contract over a server, each case below a prefix of its own.
func TestStore(t *testing.T) {
	t.Parallel()
	o := optionsOf(gateway(t))
	var n atomic.Int32
	storetest.Exercise(t, func(t *testing.T) store.Store {
		o := o
		o.Prefix = fmt.Sprintf("houses/%d", n.Add(1))
		return open(t, o)
	})
}

package faults

import (
	"context"
	"strings"
	"testing"

	"chapterhouse/pipeline/store/s3/s3test"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// TestCareless: the second to create an object is told that it did, and did.
func TestCareless(t *testing.T) {
	g := s3test.For(t)
	must(t, g.NewBucket("night"))
	c, err := newCareless(g)
	must(t, err)
	defer c.close()
	for _, at := range []struct {
		addr string
		want string
	}{{strings.TrimPrefix(g.Endpoint, "http://"), "first"}, {c.addr(), "second"}} {
		client, err := minio.New(at.addr, &minio.Options{Creds: credentials.NewStaticV4(g.AccessKey, g.SecretKey, ""), Region: s3test.Region, MaxRetries: 1})
		must(t, err)
		must(t, client.RemoveObject(t.Context(), "night", "x", minio.RemoveObjectOptions{}))
		for _, text := range []string{"first", "second"} {
			o := minio.PutObjectOptions{DisableMultipart: true}
			o.SetMatchETagExcept("*")
			_, err := client.PutObject(t.Context(), "night", "x", strings.NewReader(text), int64(len(text)), o)
			if refused := err != nil; refused != (text == "second" && at.want == "first") {
				t.Errorf("%s: writing %s: %v", at.addr, text, err)
			}
		}
		got, err := client.GetObject(context.Background(), "night", "x", minio.GetObjectOptions{})
		must(t, err)
		text := make([]byte, 10)
		n, _ := got.Read(text)
		if string(text[:n]) != at.want {
			t.Errorf("%s: there is %q, want %q", at.addr, text[:n], at.want)
		}
	}
}

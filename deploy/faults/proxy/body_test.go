package proxy

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// TestBody: what a client stores is found in what it sends, signed in chunks or not.
func TestBody(t *testing.T) {
	for _, size := range []int{0, 1, 70_000, 300_000} {
		for _, checksums := range []bool{false, true} {
			var got []byte
			var readErr error
			s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				raw, err := io.ReadAll(r.Body)
				if err != nil {
					t.Error(err)
				}
				if r.Method == http.MethodPut {
					got, readErr = Body(r, raw)
				}
				w.Header().Set("ETag", `"1"`)
			}))
			c, err := minio.New(strings.TrimPrefix(s.URL, "http://"), &minio.Options{
				Creds: credentials.NewStaticV4("a", "b", ""), Region: "us-east-1", TrailingHeaders: checksums,
			})
			must(t, err)
			want := bytes.Repeat([]byte("s"), size)
			_, err = c.PutObject(context.Background(), "night", "x", bytes.NewReader(want), int64(size), minio.PutObjectOptions{DisableMultipart: true})
			must(t, err)
			if readErr != nil || !bytes.Equal(got, want) {
				t.Errorf("of %d bytes, checksums %t, %d are found: %v", size, checksums, len(got), readErr)
			}
			s.Close()
		}
	}
	r := &http.Request{Header: http.Header{"X-Amz-Content-Sha256": {"STREAMING-AWS4-HMAC-SHA256-PAYLOAD"}}}
	for _, broken := range []string{"", "5", "5;chunk-signature=a\r\nsal", "x\r\nsalt\r\n", "4\r\nsalt"} {
		if got, err := Body(r, []byte(broken)); err == nil {
			t.Errorf("%q is read as %q", broken, got)
		}
	}
}

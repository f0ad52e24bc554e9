package s3test_test

import (
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"

	"chapterhouse/pipeline/store/s3/s3test"
)

// client speaks to the gateway as a user.
func client(t *testing.T, g *s3test.Gateway, access, secret string) *minio.Client {
	t.Helper()
	c, err := minio.New(strings.TrimPrefix(g.Endpoint, "http://"), &minio.Options{
		Creds: credentials.NewStaticV4(access, secret, ""), Region: s3test.Region, MaxRetries: 1,
	})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func put(t *testing.T, c *minio.Client, name, text string) error {
	t.Helper()
	_, err := c.PutObject(t.Context(), "house", name, strings.NewReader(text), int64(len(text)), minio.PutObjectOptions{DisableMultipart: true})
	return err
}

// TestUsers: a user may do what the policy says and no more, until removed.
func TestUsers(t *testing.T) {
	g := s3test.For(t)
	for _, err := range []error{
		g.NewBucket("house"),
		g.AddUser("worker-1", "not-so-secret"),
		g.SetPolicy("house", `{"Version": "2012-10-17", "Statement": [
			{"Effect": "Allow", "Principal": {"AWS": ["worker-1"]}, "Action": ["s3:PutObject"], "Resource": ["arn:aws:s3:::house/blobs/*"]}]}`),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	owner, worker := client(t, g, g.AccessKey, g.SecretKey), client(t, g, "worker-1", "not-so-secret")
	refused := func(what string, err error) {
		t.Helper()
		if status := minio.ToErrorResponse(err).StatusCode; err == nil || status != http.StatusForbidden {
			t.Errorf("%s: %v, want 403", what, err)
		}
	}
	if err := put(t, owner, "titles/t/title.json", "1"); err != nil {
		t.Fatal(err)
	}
	if data, err := os.ReadFile(filepath.Join(g.BucketDir("house"), "titles/t/title.json")); err != nil || string(data) != "1" {
		t.Errorf("the object's file holds %q, %v", data, err)
	}
	if err := put(t, worker, "blobs/a", "x"); err != nil {
		t.Error(err)
	}
	refused("a worker writes a title", put(t, worker, "titles/t/title.json", "2"))
	refused("a worker deletes a blob", worker.RemoveObject(t.Context(), "house", "blobs/a", minio.RemoveObjectOptions{}))
	refused("wrong secret", put(t, client(t, g, "worker-1", "guessed"), "blobs/b", "x"))
	if err := g.RemoveUser("worker-1"); err != nil {
		t.Error(err)
	}
	refused("a worker who was removed", put(t, worker, "blobs/b", "x"))
}

// TestResume: a server that was killed comes back where it was with all it had.
func TestResume(t *testing.T) {
	g := s3test.For(t, "house")
	c := client(t, g, g.AccessKey, g.SecretKey)
	if err := put(t, c, "a", "1"); err != nil {
		t.Fatal(err)
	}
	g.Stop()
	g.Stop() // twice is no harm
	if err := put(t, c, "b", "1"); err == nil {
		t.Error("a stopped server took an object")
	}
	if err := g.Resume(); err != nil {
		t.Fatal(err)
	}
	r, err := c.GetObject(t.Context(), "house", "a", minio.GetObjectOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if got, err := io.ReadAll(r); err != nil || string(got) != "1" {
		t.Errorf("read %q, %v", got, err)
	}
}

func TestNotInstalled(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	t.Setenv("CHAPTERHOUSE_TOOLS", t.TempDir())
	if _, err := s3test.Start(t.TempDir()); !errors.Is(err, s3test.ErrNotInstalled) {
		t.Errorf("Start: %v, want ErrNotInstalled", err)
	}
}

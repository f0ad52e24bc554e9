package s3test

import (
	"errors"
	"os"
	"testing"
)

// For starts a server with buckets for a test, whose end stops it. The test is
// skipped where the program is not installed, and fails where all is required.
func For(t testing.TB, buckets ...string) *Gateway {
	t.Helper()
	g, err := Start(t.TempDir())
	if errors.Is(err, ErrNotInstalled) && os.Getenv("CHAPTERHOUSE_REQUIRE") != "all" {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(g.Stop)
	for _, name := range buckets {
		if err := g.NewBucket(name); err != nil {
			t.Fatal(err)
		}
	}
	return g
}

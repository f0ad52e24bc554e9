package stored

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
	storefolder "chapterhouse/pipeline/store/folder"
	"chapterhouse/pipeline/store/memory"
	"chapterhouse/pipeline/store/s3"
	"chapterhouse/pipeline/store/s3/s3test"
)

// TestPlaces has six people, each with a store opened for them alone, push
// different houses at once: to a folder and to an S3 server as to memory
// exactly one is told that it stands, and it is what everybody pulls.
func TestPlaces(t *testing.T) {
	for place, open := range map[string]func(t *testing.T) func() store.Store{
		"memory": func(*testing.T) func() store.Store {
			s := memory.New()
			return func() store.Store { return s }
		},
		"folder": func(t *testing.T) func() store.Store {
			dir := t.TempDir()
			return func() store.Store {
				s, err := storefolder.Open(dir)
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() { _ = s.Close() })
				return s
			}
		},
		"s3": func(t *testing.T) func() store.Store {
			g := s3test.For(t, "house")
			return func() store.Store {
				s, err := s3.Open(t.Context(), s3.Options{Endpoint: g.Endpoint, Bucket: "house", Prefix: "quiet-street", AccessKey: g.AccessKey, SecretKey: g.SecretKey})
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() { _ = s.Close() })
				return s
			}
		},
	} {
		t.Run(place, func(t *testing.T) {
			another := open(t)
			var dirs [6]string
			var errs [6]error
			var all sync.WaitGroup
			start := make(chan struct{})
			for i := range dirs {
				dirs[i] = folder(t, map[string]string{"titles/t/title.yaml": fmt.Sprintf("by %d", i)})
				s := another()
				all.Go(func() {
					<-start
					_, errs[i] = Push(t.Context(), s, dirs[i])
				})
			}
			close(start)
			all.Wait()
			won := -1
			for i, err := range errs {
				switch {
				case err == nil && won >= 0:
					t.Fatalf("%d and %d both won", won, i)
				case err == nil:
					won = i
				case !errors.Is(err, ErrMoved):
					t.Error(err)
				}
			}
			if won < 0 {
				t.Fatal("nobody won")
			}
			// The others pull, which says that both wrote the title; what they put aside and pull stands.
			for i, dir := range dirs {
				if i == won {
					continue
				}
				s := another()
				if _, err := Pull(t.Context(), s, dir); !errors.Is(err, ErrChanged) {
					t.Errorf("%d pulled over its own file: %v", i, err)
				}
				if err := os.Remove(filepath.Join(dir, "titles/t/title.yaml")); err != nil {
					t.Fatal(err)
				}
				if p := mustPull(t, s, dir); p.Seq != 1 || !maps.Equal(found(t, dir), found(t, dirs[won])) {
					t.Errorf("%d pulled %+v, and has %q", i, p, found(t, dir))
				}
			}
			s := another()
			if err := s.Delete(t.Context(), store.BlobName(pipeline.DigestOf([]byte(settingsText)))); err != nil {
				t.Fatal(err)
			}
			if _, err := Open(t.Context(), s); !errors.Is(err, store.ErrAbsent) {
				t.Errorf("a house without its house.yaml: %v", err)
			}
			mustPush(t, s, dirs[0])
			if h, err := Open(t.Context(), s); err != nil || h.Settings.House != "Quiet Street" {
				t.Errorf("opened %+v, %v", h, err)
			}
		})
	}
}

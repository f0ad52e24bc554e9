package coordinator

import (
	"bytes"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/folder"
	"chapterhouse/pipeline/store/s3"
	"chapterhouse/pipeline/store/s3/s3test"
)

// TestAuditStores: on a disk and on a server as in memory, a store is silent
// after a night, a bit that the disk flips is found, and the repair takes it
// out; a damaged upload is kept.
func TestAuditStores(t *testing.T) {
	w := smallWorld(t)
	w.submitAndClose()
	rendered := store.BlobName(w.file(1, "lossless").Blob)
	upload, _ := w.of("01-1.flac")
	for kind, open := range map[string]func(*testing.T) (s store.Store, dir string){
		"folder": func(t *testing.T) (store.Store, string) {
			dir := t.TempDir()
			s, err := folder.Open(dir)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { s.Close() })
			return s, dir
		},
		"s3": func(t *testing.T) (store.Store, string) {
			g := s3test.For(t, "house")
			s, err := s3.Open(t.Context(), s3.Options{Endpoint: g.Endpoint, Bucket: "house", AccessKey: g.AccessKey, SecretKey: g.SecretKey, Patience: 5 * time.Second})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { s.Close() })
			return s, g.BucketDir("house")
		},
	} {
		t.Run(kind, func(t *testing.T) {
			s, dir := open(t)
			objects := w.objects("")
			for _, name := range slices.Sorted(maps.Keys(objects)) {
				data := []byte(objects[name])
				var err error
				if d, ok := store.BlobDigest(name); ok {
					err = s.Put(t.Context(), d, bytes.NewReader(data))
				} else {
					_, err = s.Swap(t.Context(), name, store.Absent, data)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			audit := func(want ...string) Audited {
				t.Helper()
				got, err := Audit(t.Context(), s, AuditOptions{ReadData: 1})
				if err != nil || !slices.Equal(faults(got), want) {
					t.Fatalf("%v, %v, want %v", faults(got), err, want)
				}
				return got
			}
			if got := audit(); got.Objects != len(objects) {
				t.Errorf("%d objects, want %d", got.Objects, len(objects))
			}
			flip := func(name string) string {
				path := filepath.Join(dir, filepath.FromSlash(name))
				data, err := os.ReadFile(path)
				if err == nil {
					data[len(data)/2] ^= 1
					err = errors.Join(os.Chmod(path, 0o644), os.WriteFile(path, data, 0o644))
				}
				if err != nil {
					t.Fatal(err)
				}
				return string(data)
			}
			flip(rendered)
			got := audit("damage damaged " + rendered)
			if err := Repair(t.Context(), s, &got); err != nil || got.Left() > 0 {
				t.Fatalf("%+v, %v", got.Faults, err)
			}
			if _, err := s.Stat(t.Context(), rendered); !errors.Is(err, store.ErrAbsent) {
				t.Errorf("what was damaged is still there: %v", err)
			}
			kept := flip(store.BlobName(upload))
			name := store.BlobName(pipeline.DigestOf([]byte(kept)))
			all, err := Audit(t.Context(), s, AuditOptions{ReadData: 1})
			if err == nil {
				err = Repair(t.Context(), s, &all)
			}
			var is strings.Builder
			if err == nil {
				_, err = store.CopyBlob(t.Context(), s, pipeline.DigestOf([]byte(kept)), &is)
			}
			if err != nil || is.String() != kept {
				t.Errorf("%s is %q, want %q: %v", name, is.String(), kept, err)
			}
		})
	}
}

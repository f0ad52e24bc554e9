package folder

import (
	"testing"

	"go.uber.org/goleak"

	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/storetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func open(t *testing.T, dir string) *Store {
	t.Helper()
	s, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	})
	return s
}

func TestStore(t *testing.T) {
	storetest.Exercise(t, func(t *testing.T) store.Store { return open(t, t.TempDir()) })
}

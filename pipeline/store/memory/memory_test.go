package memory_test

import (
	"testing"

	"go.uber.org/goleak"

	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/memory"
	"chapterhouse/pipeline/store/storetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestStore(t *testing.T) {
	storetest.Exercise(t, func(*testing.T) store.Store { return memory.New() })
}

func TestWrapped(t *testing.T) {
	storetest.Exercise(t, func(*testing.T) store.Store {
		return storetest.Wrap(memory.New(), storetest.Nth(0, storetest.Fail))
	})
}

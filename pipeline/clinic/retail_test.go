package clinic

import (
	"testing"

	"chapterhouse/pipeline/spec"
)

// TestRetail: the figures that signs and drafts reckon with are those of the
// built-in spec.
func TestRetail(t *testing.T) {
	s, ok := spec.Builtin("retail")
	if !ok {
		t.Fatal("there is no spec retail")
	}
	if float64(s.Sound.Level.Aim) != retailLevelDBFS || float64(s.Limits.NoiseFloorDBFS) != retailFloorDBFS {
		t.Errorf("retail asks for %v and %v, drafts go for %v and %v", s.Sound.Level, s.Limits.NoiseFloorDBFS, retailLevelDBFS, retailFloorDBFS)
	}
}

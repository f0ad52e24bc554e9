package report

import (
	"io"
	"testing"
)

// BenchmarkChapter is a chapter of an hour with five stages for two specs.
func BenchmarkChapter(b *testing.B) {
	r, p := long(1, 3600, 5, 6, 2)
	b.ReportAllocs()
	for b.Loop() {
		if err := HTML(io.Discard, r, p); err != nil {
			b.Fatal(err)
		}
	}
}

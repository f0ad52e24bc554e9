package s3

import (
	"bytes"
	"fmt"
	"io"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
)

// BenchmarkStore measures the calls of a night: small objects created, swapped,
// described and read, and blobs of a chapter's size. store/folder has a
// benchmark of the same name to hold beside it; the gateway writes to the same
// disk, and syncs nothing.
func BenchmarkStore(b *testing.B) {
	s := open(b, optionsOf(gateway(b)))
	ctx, text := b.Context(), bytes.Repeat([]byte("x"), 2000)
	version, err := s.Swap(ctx, "titles/t/title.json", store.Absent, text)
	must(b, err)
	b.Run("create", func(b *testing.B) {
		for i := 0; b.Loop(); i++ {
			_, err := s.Swap(ctx, fmt.Sprintf("commits/%d-%d.json", b.N, i), store.Absent, text)
			must(b, err)
		}
	})
	b.Run("create by 64", func(b *testing.B) {
		b.SetParallelism(32)
		b.RunParallel(func(pb *testing.PB) {
			for pb.Next() {
				_, err := s.Swap(ctx, "recipes/"+string(pipeline.DigestOf([]byte(fmt.Sprint(&pb, b.N, b.Elapsed()))))+".json", store.Absent, text)
				must(b, err)
			}
		})
	})
	b.Run("swap", func(b *testing.B) {
		for i := 0; b.Loop(); i++ {
			version, err = s.Swap(ctx, "titles/t/title.json", version, fmt.Appendf(text, "%d", i))
			must(b, err)
		}
	})
	b.Run("stat", func(b *testing.B) {
		for b.Loop() {
			must(b, second(s.Stat(ctx, "titles/t/title.json")))
		}
	})
	b.Run("read", func(b *testing.B) {
		for b.Loop() {
			must(b, second(store.ReadObject(ctx, s, "titles/t/title.json")))
		}
	})
	for _, size := range []int{1 << 20, 160 << 20} {
		data := noise(size)
		b.Run(fmt.Sprintf("put %d MB", size>>20), func(b *testing.B) {
			b.SetBytes(int64(size))
			for i := 0; b.Loop(); i++ {
				copy(data, fmt.Sprint(b.N, i))
				must(b, s.Put(ctx, pipeline.DigestOf(data), bytes.NewReader(data)))
			}
		})
		must(b, s.Put(ctx, pipeline.DigestOf(data), bytes.NewReader(data)))
		b.Run(fmt.Sprintf("copy %d MB", size>>20), func(b *testing.B) {
			b.SetBytes(int64(size))
			for b.Loop() {
				must(b, second(store.CopyBlob(ctx, s, pipeline.DigestOf(data), io.Discard)))
			}
		})
	}
}

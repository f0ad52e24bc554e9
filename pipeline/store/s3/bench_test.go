package s3

import (
	"bytes"
	"fmt"
	"io"
	"sync/atomic"
	"testing"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/folder"
)

// BenchmarkStore measures the calls of a night in a folder and in storage on
// the same disk. Only the folder syncs what it writes; a gateway leaves that to
// its file system.
func BenchmarkStore(b *testing.B) {
	f, err := folder.Open(b.TempDir())
	must(b, err)
	defer f.Close()
	for _, c := range []struct {
		name string
		s    store.Store
	}{{"folder", f}, {"s3", open(b, optionsOf(gateway(b)))}} {
		benchmarkObjects(b, c.name, c.s)
		benchmarkBlobs(b, c.name, c.s)
	}
}

func benchmarkObjects(b *testing.B, kind string, s store.Store) {
	ctx, text := b.Context(), bytes.Repeat([]byte("x"), 2000)
	var n atomic.Int64
	create := func() {
		must(b, second(s.Swap(ctx, fmt.Sprintf("commits/%d.json", n.Add(1)), store.Absent, text)))
	}
	b.Run("create/"+kind, func(b *testing.B) {
		for b.Loop() {
			create()
		}
	})
	b.Run("create by 64/"+kind, func(b *testing.B) {
		b.SetParallelism(32) // on two cores
		b.RunParallel(func(pb *testing.PB) {
			for pb.Next() {
				create()
			}
		})
	})
	version, err := s.Swap(ctx, titleName, store.Absent, text)
	must(b, err)
	b.Run("swap/"+kind, func(b *testing.B) {
		for b.Loop() {
			version, err = s.Swap(ctx, titleName, version, fmt.Appendf(text, "%d", n.Add(1)))
			must(b, err)
		}
	})
	b.Run("update/"+kind, func(b *testing.B) {
		for b.Loop() {
			must(b, store.Update(ctx, s, "titles/u/title.json", func(seq *int) error { *seq++; return nil }))
		}
	})
	b.Run("stat/"+kind, func(b *testing.B) {
		for b.Loop() {
			must(b, second(s.Stat(ctx, titleName)))
		}
	})
	b.Run("read/"+kind, func(b *testing.B) {
		for b.Loop() {
			must(b, second(store.ReadObject(ctx, s, titleName)))
		}
	})
	b.Run("list 1000/"+kind, func(b *testing.B) {
		for i := n.Load(); i < 1000; i++ {
			create()
		}
		for b.Loop() {
			left := 1000
			err := s.List(ctx, "commits/", func(store.Info) error {
				if left--; left == 0 {
					return io.EOF
				}
				return nil
			})
			if err != io.EOF {
				b.Fatal(err)
			}
		}
	})
}

func benchmarkBlobs(b *testing.B, kind string, s store.Store) {
	ctx := b.Context()
	for _, size := range []int{1 << 20, 160 << 20} { // of an MP3, of a chapter's recording
		data := noise(size)
		var d pipeline.Digest
		n := 0
		b.Run(fmt.Sprintf("put %d MB/%s", size>>20, kind), func(b *testing.B) {
			b.SetBytes(int64(size))
			for b.Loop() {
				b.StopTimer()
				n++
				copy(data, fmt.Sprint(n))
				d = pipeline.DigestOf(data)
				b.StartTimer()
				must(b, s.Put(ctx, d, bytes.NewReader(data)))
			}
		})
		b.Run(fmt.Sprintf("copy %d MB/%s", size>>20, kind), func(b *testing.B) {
			b.SetBytes(int64(size))
			for b.Loop() {
				must(b, second(store.CopyBlob(ctx, s, d, io.Discard)))
			}
		})
	}
}

package codec

import (
	"io"
	"path/filepath"
	"testing"
)

// benchSeconds is the length of what the benchmarks read and write.
const benchSeconds = 60

// realTime reports how many times faster than real time a loop went.
func realTime(b *testing.B) {
	b.ReportMetric(benchSeconds*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}

func benchRead(b *testing.B, path string) {
	ch := [][]float64{make([]float64, 1024)}
	for b.Loop() {
		r, err := Open(path)
		if err != nil {
			b.Fatal(err)
		}
		for {
			if _, err := r.Read(ch); err == io.EOF {
				break
			} else if err != nil {
				b.Fatal(err)
			}
		}
		r.Close()
	}
	realTime(b)
}

func benchWAV(b *testing.B, bits int, float bool) {
	ch := speechLike(1, benchSeconds*44100)
	path := filepath.Join(b.TempDir(), "a.wav")
	b.Run("write", func(b *testing.B) {
		for b.Loop() {
			w, err := CreateWAV(path, 44100, 1, bits, float)
			if err != nil {
				b.Fatal(err)
			}
			writeBlocks(b, w.Write, ch, 1024)
			if err := w.Close(); err != nil {
				b.Fatal(err)
			}
		}
		realTime(b)
	})
	b.Run("read", func(b *testing.B) { benchRead(b, path) })
}

func BenchmarkWAV16(b *testing.B)      { benchWAV(b, 16, false) }
func BenchmarkWAV24(b *testing.B)      { benchWAV(b, 24, false) }
func BenchmarkWAVFloat32(b *testing.B) { benchWAV(b, 32, true) }

func benchFLAC(b *testing.B, bits int) {
	ch := speechLike(1, benchSeconds*44100)
	path := filepath.Join(b.TempDir(), "a.flac")
	b.Run("write", func(b *testing.B) {
		for b.Loop() {
			w, err := CreateFLAC(path, 44100, 1, bits)
			if err != nil {
				b.Fatal(err)
			}
			writeBlocks(b, w.Write, ch, 1024)
			if err := w.Close(); err != nil {
				b.Fatal(err)
			}
		}
		realTime(b)
	})
	b.Run("read", func(b *testing.B) { benchRead(b, path) })
}

func BenchmarkFLAC16(b *testing.B) { benchFLAC(b, 16) }
func BenchmarkFLAC24(b *testing.B) { benchFLAC(b, 24) }

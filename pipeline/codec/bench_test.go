package codec

import (
	"context"
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

// file is what a format's writer and the benchmarks have in common.
type file interface {
	Write(ch [][]float64) error
	Close() error
}

// bench measures writing and reading a minute of mono at 44.1 kHz.
func bench(b *testing.B, create func(path string) (file, error)) {
	ch := speechLike(1, benchSeconds*44100)
	path := filepath.Join(b.TempDir(), "a")
	write := func(b *testing.B) {
		w, err := create(path)
		if err != nil {
			b.Fatal(err)
		}
		writeBlocks(b, w.Write, ch, 1024)
		if err := w.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.Run("write", func(b *testing.B) {
		for b.Loop() {
			write(b)
		}
		realTime(b)
	})
	b.Run("read", func(b *testing.B) {
		write(b)
		benchRead(b, path)
	})
}

func benchWAV(b *testing.B, bits int, float bool) {
	bench(b, func(path string) (file, error) { return CreateWAV(path, 44100, 1, bits, float) })
}

func BenchmarkWAV16(b *testing.B)      { benchWAV(b, 16, false) }
func BenchmarkWAV24(b *testing.B)      { benchWAV(b, 24, false) }
func BenchmarkWAVFloat32(b *testing.B) { benchWAV(b, 32, true) }

func BenchmarkFLAC16(b *testing.B) {
	bench(b, func(path string) (file, error) { return CreateFLAC(path, 44100, 1, 16) })
}

func BenchmarkFLAC24(b *testing.B) {
	bench(b, func(path string) (file, error) { return CreateFLAC(path, 44100, 1, 24) })
}

// BenchmarkMP3 encodes and decodes with lame, decodes with go-mp3, and walks
// the frames.
func BenchmarkMP3(b *testing.B) {
	o := MP3Options{Kbps: 192, RateHz: 44100, Channels: 1}
	ch := speechLike(1, benchSeconds*44100)
	path := encode(b, ch, o)
	b.Run("encode", func(b *testing.B) {
		l, err := FindLame()
		if err != nil {
			b.Fatal(err)
		}
		wav := filepath.Join(filepath.Dir(path), "a.wav")
		for b.Loop() {
			if err := l.Encode(context.Background(), wav, path, o); err != nil {
				b.Fatal(err)
			}
		}
		realTime(b)
	})
	b.Run("decode-lame", func(b *testing.B) { benchRead(b, path) })
	b.Run("decode-go", func(b *testing.B) {
		buf := [][]float64{make([]float64, 1024)}
		for b.Loop() {
			r := openGo(b, path)
			for {
				if _, err := r.Read(buf); err == io.EOF {
					break
				} else if err != nil {
					b.Fatal(err)
				}
			}
		}
		realTime(b)
	})
	b.Run("check", func(b *testing.B) {
		for b.Loop() {
			if _, err := CheckCBR(path); err != nil {
				b.Fatal(err)
			}
		}
		realTime(b)
	})
}

package codec

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chapterhouse/dsp"
)

// WAV files that other programs wrote are read to the last bit. (The number of
// frames is even: ffmpeg counts the pad byte of an odd RF64 as data.)
func TestReadWAVOfOthers(t *testing.T) {
	for _, channels := range []int{1, 2} {
		for _, f := range []struct {
			bits     int
			float    bool
			raw, pcm string // ffmpeg's names
			sox      string
		}{
			{8, false, "u8", "pcm_u8", "unsigned-integer"},
			{16, false, "s16le", "pcm_s16le", "signed-integer"},
			{24, false, "s24le", "pcm_s24le", "signed-integer"},
			{32, false, "s32le", "pcm_s32le", "signed-integer"},
			{32, true, "f32le", "pcm_f32le", "floating-point"},
			{64, true, "f64le", "pcm_f64le", "floating-point"},
		} {
			want := onGrid(speechLike(channels, 30012), min(f.bits, 24)) // 24 bits fit a float32
			src := writeFile(t, "in.raw", raw(want, f.bits, f.float))
			dir := t.TempDir()
			ac, ar := fmt.Sprint(channels), "44100"
			files := map[string][]string{
				"ffmpeg":      {"ffmpeg", "-v", "error", "-f", f.raw, "-ar", ar, "-ac", ac, "-i", src, "-c:a", f.pcm},
				"ffmpeg rf64": {"ffmpeg", "-v", "error", "-f", f.raw, "-ar", ar, "-ac", ac, "-i", src, "-c:a", f.pcm, "-rf64", "always"},
				"sox":         {"sox", "-D", "-t", "raw", "-e", f.sox, "-b", fmt.Sprint(f.bits), "-r", ar, "-c", ac, src, "-e", f.sox, "-b", fmt.Sprint(f.bits)},
			}
			for by, cmd := range files {
				path := filepath.Join(dir, strings.ReplaceAll(by, " ", "-")+".wav")
				run(t, cmd[0], append(cmd[1:], path)...)
				what := fmt.Sprintf("%s, %d bits, float %t, %d channels", by, f.bits, f.float, channels)
				r := openTest(t, path)
				i := r.Info()
				if i.RateHz != 44100 || i.Bits != f.bits || i.Float != f.float || i.Frames != 30012 || len(i.Notes) > 0 {
					t.Errorf("%s: %+v", what, i)
				}
				same(t, what, readAll(t, r, 1009), want)
			}
		}
	}
}

// A file that ffmpeg writes to a pipe never gets its sizes.
func TestReadStreamedWAV(t *testing.T) {
	want := onGrid(speechLike(1, 5000), 16)
	src := writeFile(t, "in.raw", raw(want, 16, false))
	b := run(t, "ffmpeg", "-v", "error", "-f", "s16le", "-ar", "44100", "-ac", "1", "-i", src, "-f", "wav", "-")
	r := openTest(t, writeFile(t, "a.wav", b))
	if len(r.Info().Notes) != 1 {
		t.Errorf("notes %q, want one", r.Info().Notes)
	}
	same(t, "streamed", readAll(t, r, 777), want)
}

// What we write, ffmpeg and sox read to the last bit, and so do we.
func TestWriteWAV(t *testing.T) {
	for _, f := range []struct {
		bits  int
		float bool
		raw   string
	}{
		{16, false, "s16le"}, {24, false, "s24le"}, {32, false, "s32le"}, {32, true, "f32le"}, {64, true, "f64le"},
	} {
		for _, channels := range []int{1, 2} {
			for _, frames := range []int{1, 2, 70001} {
				what := fmt.Sprintf("%d bits, float %t, %d channels, %d frames", f.bits, f.float, channels, frames)
				want := onGrid(speechLike(channels, frames), min(f.bits, 24))
				path := filepath.Join(t.TempDir(), "a.wav")
				w, err := CreateWAV(path, 48000, channels, f.bits, f.float)
				if err != nil {
					t.Fatal(err)
				}
				writeBlocks(t, w.Write, want, 4099)
				if w.Frames() != dsp.Frames(frames) || w.Clipped() != 0 {
					t.Errorf("%s: %d frames, %d clipped", what, w.Frames(), w.Clipped())
				}
				if err := w.Close(); err != nil {
					t.Fatal(err)
				}
				r := openTest(t, path)
				if i := r.Info(); i.RateHz != 48000 || i.Bits != f.bits || i.Float != f.float || len(i.Notes) > 0 {
					t.Errorf("%s: %+v", what, i)
				}
				same(t, what, readAll(t, r, 1024), want)
				if got := run(t, "ffmpeg", "-v", "error", "-i", path, "-f", f.raw, "-"); !bytes.Equal(got, raw(want, f.bits, f.float)) {
					t.Errorf("%s: ffmpeg reads other samples", what)
				}
				if n := strings.TrimSpace(string(run(t, "soxi", "-s", path))); n != fmt.Sprint(frames) {
					t.Errorf("%s: soxi counts %s", what, n)
				}
			}
		}
	}
}

func writeBlocks(t testing.TB, write func([][]float64) error, ch [][]float64, block int) {
	t.Helper()
	for from := 0; from < len(ch[0]); from += block {
		part := make([][]float64, len(ch))
		for c := range ch {
			part[c] = ch[c][from:min(from+block, len(ch[c]))]
		}
		if err := write(part); err != nil {
			t.Fatal(err)
		}
	}
}

// Values between two steps go to the nearer one, halves to even; values
// outside are clipped and counted.
func TestGrid(t *testing.T) {
	const step = 0x1p-15
	in := []float64{0.4 * step, 0.5 * step, 0.6 * step, 1.5 * step, -0.5 * step, -1.5 * step, 1, 1 - step, -1, -1.1, 7}
	want := []int32{0, 0, 1, 2, 0, -2, 32767, 32767, -32768, -32768, 32767}
	got := make([]int32, len(in))
	clipped := toGrid(got, in, 16)
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("%g becomes %d, want %d", in[i], got[i], want[i])
		}
	}
	if clipped != 3 {
		t.Errorf("%d clipped, want 3 (1, -1.1 and 7)", clipped)
	}
}

// NaN is nowhere written, in any format.
func TestWriteNaN(t *testing.T) {
	w, err := CreateWAV(filepath.Join(t.TempDir(), "a.wav"), 44100, 1, 32, true)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	if err := w.Write([][]float64{{0, math.NaN()}}); err == nil {
		t.Error("NaN was written")
	}
}

// Past the limit the header becomes RF64, for every format, and other
// programs read it.
func TestWriteRF64(t *testing.T) {
	for _, f := range []struct {
		bits  int
		float bool
	}{{16, false}, {24, false}, {32, true}} {
		want := onGrid(speechLike(1, 20001), 16)
		path := filepath.Join(t.TempDir(), "a.wav")
		w, err := CreateWAV(path, 44100, 1, f.bits, f.float)
		if err != nil {
			t.Fatal(err)
		}
		w.large = 1000 // as if 4 GiB were 1000 bytes
		writeBlocks(t, w.Write, want, 1024)
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if b, _ := os.ReadFile(path); string(b[:4]) != "RF64" || string(b[12:16]) != "ds64" {
			t.Fatalf("not RF64: % x", b[:16])
		}
		r := openTest(t, path)
		if len(r.Info().Notes) > 0 {
			t.Errorf("notes: %q", r.Info().Notes)
		}
		same(t, "RF64", readAll(t, r, 1024), want)
		if got := run(t, "ffmpeg", "-v", "error", "-i", path, "-f", "s16le", "-"); !bytes.Equal(got, raw(want, 16, false)) {
			t.Error("ffmpeg reads other samples")
		}
	}
}

// A recording of 5 GiB (sparse on disk): RF64 with its true size, plain RIFF
// with a size that wrapped at 4 GiB. Both are read whole; the last frame is
// where it should be.
func TestReadLargeWAV(t *testing.T) {
	const frames = 5 << 30 / 3
	path := filepath.Join(t.TempDir(), "a.wav")
	for _, wrapped := range []bool{false, true} {
		w, err := CreateWAV(path, 96000, 1, 24, false)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.f.Seek(w.dataAt+3*(frames-1), io.SeekStart); err != nil {
			t.Skipf("no large files here: %v", err)
		}
		w.written = 3 * (frames - 1)
		if err := w.Write([][]float64{{0.25}}); err != nil {
			t.Skipf("no large files here: %v", err)
		}
		if wrapped {
			w.large = math.MaxInt64
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if wrapped { // as a recorder does that counts in 32 bits
			f, _ := os.OpenFile(path, os.O_RDWR, 0)
			n := uint64(3 * frames)
			f.WriteAt([]byte{byte(n), byte(n >> 8), byte(n >> 16), byte(n >> 24)}, w.dataAt-4)
			f.Close()
		}
		r := openTest(t, path)
		if r.Info().Frames != frames {
			t.Errorf("wrapped %t: %d frames, want %d", wrapped, r.Info().Frames, frames)
		}
		if got := len(r.Info().Notes); got > 0 != wrapped {
			t.Errorf("wrapped %t: notes %q", wrapped, r.Info().Notes)
		}
		if err := r.Skip(frames - 2); err != nil {
			t.Fatal(err)
		}
		same(t, "end", readAll(t, r, 16), [][]float64{{0, 0.25}})
		os.Remove(path)
	}
}

func TestSkip(t *testing.T) {
	want := onGrid(speechLike(2, 30000), 16)
	dir := t.TempDir()
	w, err := CreateWAV(filepath.Join(dir, "a.wav"), 44100, 2, 16, false)
	if err != nil {
		t.Fatal(err)
	}
	f, err := CreateFLAC(filepath.Join(dir, "a.flac"), 44100, 2, 16)
	if err != nil {
		t.Fatal(err)
	}
	writeBlocks(t, w.Write, want, 5000)
	writeBlocks(t, f.Write, want, 5000)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"a.wav", "a.flac"} {
		for _, to := range []dsp.Frames{0, 1, 4095, 4096, 17000, 29999, 30000, 30001, 1 << 40} {
			r := openTest(t, filepath.Join(dir, name))
			if err := r.Skip(to); err != nil {
				t.Fatal(err)
			}
			cut := min(int(to), 30000)
			got := readAll(t, r, 333)
			if cut == 30000 {
				if len(got[0]) > 0 {
					t.Errorf("%s: %d frames past the end", name, len(got[0]))
				}
				continue
			}
			same(t, fmt.Sprint(name, " from ", to), got, [][]float64{want[0][cut:], want[1][cut:]})
		}
	}
}

// INFO tags are one clean line each.
func TestWAVTags(t *testing.T) {
	src := writeFile(t, "in.raw", make([]byte, 2000))
	path := filepath.Join(t.TempDir(), "a.wav")
	run(t, "ffmpeg", "-v", "error", "-f", "s16le", "-ar", "44100", "-ac", "1", "-i", src,
		"-metadata", "title=Two\nLanterns\u202e", "-metadata", "artist=Ines Marlow", path)
	tags := openTest(t, path).Info().Tags
	if tags == nil || tags.Title != "Two Lanterns" || tags.Artist != "Ines Marlow" {
		t.Errorf("tags %+v", tags)
	}
}

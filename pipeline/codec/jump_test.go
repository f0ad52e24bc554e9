package codec

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"pgregory.net/rapid"

	"chapterhouse/dsp"
)

// After any jumps, forwards and back, what is read is what stands there, from
// the frame that Jump says, which is near the one asked for: in WAV it is that
// one, in FLAC it lies within what a block more or less weighs.
func TestJump(t *testing.T) {
	const frames = 300_000
	want := onGrid(speechLike(2, frames), 16)
	dir := t.TempDir()
	ours, wav, theirs := filepath.Join(dir, "a.flac"), filepath.Join(dir, "a.wav"), filepath.Join(dir, "b.flac")
	writeFLAC(t, ours, want, 44100, 16)
	w, err := CreateWAV(wav, 44100, 2, 16, false)
	if err != nil {
		t.Fatal(err)
	}
	writeBlocks(t, w.Write, want, 5000)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	run(t, "flac", "--silent", "--best", "--output-name="+theirs, wav)
	for _, path := range []string{wav, ours, theirs} {
		r := openTest(t, path)
		rapid.Check(t, func(t *rapid.T) {
			to := dsp.Frames(rapid.IntRange(0, frames-1).Draw(t, "to"))
			at, err := r.Jump(to)
			if err != nil {
				t.Fatal(err)
			}
			if off := at - to; path == wav && off != 0 || off < -40_000 || off > 40_000 {
				t.Fatalf("%s: frame %d for %d", filepath.Base(path), at, to)
			}
			n := rapid.IntRange(1, 12_000).Draw(t, "n")
			ch := [][]float64{make([]float64, n), make([]float64, n)}
			n, err = r.Read(ch)
			if err != nil && !errors.Is(err, io.EOF) {
				t.Fatal(err)
			}
			for c := range ch {
				for i, v := range ch[c][:n] {
					if v != want[c][int(at)+i] {
						t.Fatalf("%s: channel %d frame %d is %g, want %g", filepath.Base(path), c, int(at)+i, v, want[c][int(at)+i])
					}
				}
			}
		})
	}
}

// A jump into zeros, and one of a file that holds something else than its
// header says, is an error of the file.
func TestJumpIntoDamage(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.flac")
	writeFLAC(t, path, onGrid(speechLike(1, 200_000), 16), 44100, 16)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	clear(b[len(b)/4 : len(b)*3/4])
	r := openTest(t, writeFile(t, "a.flac", b))
	if _, err := r.Jump(100_000); !isSource(err) {
		t.Errorf("%v, want a fault of the file", err)
	}
	if _, err := r.Jump(195_000); err != nil {
		t.Errorf("%v behind the damage", err)
	}
}

package render

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/dsp/dsptest"
	"chapterhouse/pipeline"
)

// What is read from a spool is what was written, bit by bit, and nothing
// outside of it.
func TestSpoolRoundTrip(t *testing.T) {
	for _, n := range []int{0, 1, 8191, 8192, 8193, 20000} { // 8192 frames fill its buffer
		x := dsptest.Noise(uint64(n), n)
		for i, odd := range []float64{math.Copysign(0, -1), math.SmallestNonzeroFloat64, math.MaxFloat64, math.Inf(-1), math.NaN()} {
			if i < n {
				x[i] = odd
			}
		}
		s, err := newSpool(filepath.Join(t.TempDir(), "spool"))
		if err != nil {
			t.Fatal(err)
		}
		for at, size := 0, 1; at < n; at, size = at+size, size*3 {
			s.write(x[at:min(at+size, n)])
		}
		if err := s.flush(); err != nil {
			t.Fatal(err)
		}
		if s.frames != dsp.Frames(n) {
			t.Errorf("%d frames, want %d", s.frames, n)
		}
		for _, from := range []int{-30000, -7, -1, 0, 1, n / 2, n - 1, n, n + 5} {
			for _, length := range []int{0, 1, 6, 8, 8192, n, n + 40} {
				got := dsptest.Noise(1, length)
				if err := s.read(got, dsp.Frames(from)); err != nil {
					t.Fatal(err)
				}
				for i := range got {
					want := 0.0
					if k := from + i; k >= 0 && k < n {
						want = x[k]
					}
					if math.Float64bits(got[i]) != math.Float64bits(want) {
						t.Fatalf("%d frames, %d read from %d: frame %d is %g, want %g", n, length, from, i, got[i], want)
					}
				}
			}
		}
		s.remove()
		if _, err := os.Stat(s.file.Name()); !os.IsNotExist(err) {
			t.Errorf("the scratch file stays: %v", err)
		}
	}
}

// fullDisk makes a scratch file of a job one that nothing can be written to.
func fullDisk(t *testing.T, f *jobFolder, name string) {
	t.Helper()
	if _, err := os.Stat("/dev/full"); err != nil {
		t.Skip("/dev/full, which stands for a full disk, is not here")
	}
	if err := os.MkdirAll(filepath.Join(f.dir, tempFolder), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("/dev/full", filepath.Join(f.dir, tempFolder, name)); err != nil {
		t.Fatal(err)
	}
}

// A full disk is the machine's fault, is said with what to do, and is no
// chapter's result.
func TestFullDisk(t *testing.T) {
	const rate = 44100
	x := narration(1, rate, 0.5, 2, 0.5)
	for _, name := range []string{"chained-0", "file.flac", "file.wav", "file.mp3.wav"} {
		f := newJobFolder(t)
		p, _ := f.part(f.wav("a.wav", rate, 24, x), len(x), rate, nil)
		fullDisk(t, f, name)
		format := map[string]pipeline.FileFormat{"chained-0": flac24, "file.flac": flac24, "file.wav": wav24, "file.mp3.wav": mp3}[name]
		if format.Format == pipeline.MP3 {
			need(t, "lame")
		}
		_, err := Do(t.Context(), f.dir, f.job(fileOf(format, p)), nil)
		if pipeline.KindOf(err) != pipeline.Infra || err == nil || !strings.Contains(err.Error(), syscall.ENOSPC.Error()) {
			t.Errorf("%s on a full disk: %v (%s)", name, err, pipeline.KindOf(err))
			continue
		}
		if !strings.Contains(err.Error(), "make room") {
			t.Errorf("%s on a full disk does not say what to do: %v", name, err)
		}
		if left, _ := filepath.Glob(filepath.Join(f.dir, outFolder, "*")); len(left) != 2 { // the profile's commit and marks
			t.Errorf("%s on a full disk leaves %v", name, left)
		}
	}
}

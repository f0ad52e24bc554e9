package codec

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chapterhouse/dsp"
)

func writeFLAC(t testing.TB, path string, ch [][]float64, rateHz, bits int) {
	t.Helper()
	w, err := CreateFLAC(path, rateHz, len(ch), bits)
	if err != nil {
		t.Fatal(err)
	}
	writeBlocks(t, w.Write, ch, 3001)
	if w.Frames() != dsp.Frames(len(ch[0])) || w.Clipped() != 0 {
		t.Errorf("%d frames, %d clipped", w.Frames(), w.Clipped())
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

// What we write, flac tests as whole and decodes to the last bit.
func TestWriteFLAC(t *testing.T) {
	for _, bits := range []int{16, 24} {
		for _, channels := range []int{1, 2} {
			for _, frames := range []int{1, 15, 1152, 4096, 4097, 50001} {
				for _, rate := range []int{44100, 48000, 11025, 96000} {
					if rate != 44100 && frames != 4097 {
						continue
					}
					what := fmt.Sprintf("%d bits, %d channels, %d frames, %d Hz", bits, channels, frames, rate)
					want := onGrid(speechLike(channels, frames), bits)
					dir := t.TempDir()
					path := filepath.Join(dir, "a.flac")
					writeFLAC(t, path, want, rate, bits)
					run(t, "flac", "-s", "-t", path)
					got := run(t, "flac", "-s", "-d", "-c", "--force-raw-format", "--endian=little", "--sign=signed", path)
					if !bytes.Equal(got, raw(want, bits, false)) {
						t.Errorf("%s: flac decodes other samples", what)
					}
					info := string(run(t, "metaflac", "--show-total-samples", "--show-min-blocksize", "--show-max-blocksize", "--show-sample-rate", path))
					if want := fmt.Sprintf("%d\n%d\n%d\n%d\n", frames, flacBlock, flacBlock, rate); info != want {
						t.Errorf("%s: metaflac says %q, want %q", what, info, want)
					}
					r := openTest(t, path)
					if i := r.Info(); i.Frames != dsp.Frames(frames) || i.RateHz != rate || i.Bits != bits || len(i.Notes) > 0 {
						t.Errorf("%s: %+v", what, i)
					}
					same(t, what, readAll(t, r, 1000), want)
				}
			}
		}
	}
}

// The stereo pairs that compress by their difference come out as they went in.
func TestWriteFLACStereo(t *testing.T) {
	mono := onGrid(speechLike(1, 20000), 24)[0]
	other := onGrid(speechLike(2, 20000), 24)[1]
	flipped := make([]float64, len(mono))
	for i, x := range mono {
		flipped[i] = max(min(-x, 1-0x1p-23), -1)
	}
	for name, ch := range map[string][][]float64{
		"identical": {mono, mono}, "flipped": {mono, flipped}, "one side": {mono, make([]float64, len(mono))}, "two": {mono, other},
	} {
		path := filepath.Join(t.TempDir(), "a.flac")
		writeFLAC(t, path, ch, 44100, 24)
		run(t, "flac", "-s", "-t", path)
		same(t, name, readAll(t, openTest(t, path), 4000), ch)
		if name == "identical" {
			st, _ := os.Stat(path)
			single := filepath.Join(t.TempDir(), "b.flac")
			writeFLAC(t, single, ch[:1], 44100, 24)
			one, _ := os.Stat(single)
			if float64(st.Size()) > 1.02*float64(one.Size()) {
				t.Errorf("two identical channels take %d bytes, one takes %d", st.Size(), one.Size())
			}
		}
	}
}

// Signals that are coded in other ways than speech come out as they went in.
func TestWriteFLACOdd(t *testing.T) {
	const n = 3*flacBlock + 77
	fill := func(f func(i int) float64) [][]float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = f(i)
		}
		return [][]float64{x}
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for name, ch := range map[string][][]float64{
		"silence":        fill(func(int) float64 { return 0 }),
		"constant":       fill(func(int) float64 { return -0.25 }),
		"noise":          fill(func(int) float64 { return 2*rng.Float64() - 1 }),
		"square":         fill(func(i int) float64 { return float64(i/50%2)*1.99 - 1 }),
		"nyquist":        fill(func(i int) float64 { return float64(i%2)*1.99 - 1 }),
		"16 bits in 24":  onGrid(speechLike(1, n), 16),
		"one step":       fill(func(i int) float64 { return float64(i%2) * 0x1p-23 }),
		"click":          fill(func(i int) float64 { return float64(min(i%5000, 1)) - 1 }),
		"noise, stereo":  {fill(func(int) float64 { return 2*rng.Float64() - 1 })[0], fill(func(int) float64 { return 2*rng.Float64() - 1 })[0]},
		"opposite poles": {fill(func(i int) float64 { return float64(i%2)*1.99 - 1 })[0], fill(func(i int) float64 { return 1 - float64(i%2)*1.99 - 0x1p-22 })[0]},
	} {
		want := onGrid(ch, 24)
		path := filepath.Join(t.TempDir(), "a.flac")
		writeFLAC(t, path, want, 44100, 24)
		run(t, "flac", "-s", "-t", path)
		same(t, name, readAll(t, openTest(t, path), 4000), want)
	}
}

// Our files are about as small as those of the flac program at its default.
func TestFLACSize(t *testing.T) {
	for _, bits := range []int{16, 24} {
		for _, channels := range []int{1, 2} {
			want := onGrid(speechLike(channels, 44100*5), bits)
			dir := t.TempDir()
			src := writeFile(t, "in.raw", raw(want, bits, false))
			ours, theirs := filepath.Join(dir, "a.flac"), filepath.Join(dir, "b.flac")
			writeFLAC(t, ours, want, 44100, bits)
			run(t, "flac", "-5", "-s", "--no-padding", "--force-raw-format", "--endian=little", "--sign=signed",
				fmt.Sprint("--channels=", channels), fmt.Sprint("--bps=", bits), "--sample-rate=44100", "-o", theirs, src)
			a, _ := os.Stat(ours)
			b, _ := os.Stat(theirs)
			ratio := float64(a.Size()) / float64(b.Size())
			t.Logf("%d bits, %d channels: %.3f of flac -5, %.3f of the samples", bits, channels, ratio,
				float64(a.Size())/float64(len(raw(want, bits, false))))
			if ratio > 1.03 {
				t.Errorf("%d bits, %d channels: %.3f times as large as flac -5", bits, channels, ratio)
			}
		}
	}
}

// Files of the flac program, at every setting that changes the bitstream.
func TestReadFLACOfOthers(t *testing.T) {
	for _, bits := range []int{16, 24} {
		for _, channels := range []int{1, 2} {
			want := onGrid(speechLike(channels, 30011), bits)
			src := writeFile(t, "in.raw", raw(want, bits, false))
			for _, opt := range []string{"-0", "-5", "-8", "-b 512", "-b 16384 --lax", "--no-padding", "-l 32 --lax"} {
				path := filepath.Join(t.TempDir(), "a.flac")
				args := append(strings.Fields(opt), "-s", "--force-raw-format", "--endian=little", "--sign=signed",
					fmt.Sprint("--channels=", channels), fmt.Sprint("--bps=", bits), "--sample-rate=44100", "-o", path, src)
				run(t, "flac", args...)
				r := openTest(t, path)
				if len(r.Info().Notes) > 0 || r.Info().Frames != 30011 {
					t.Errorf("flac %s: %+v", opt, r.Info())
				}
				same(t, fmt.Sprintf("flac %s, %d bits, %d channels", opt, bits, channels), readAll(t, r, 997), want)
			}
		}
	}
}

// An encoder that writes to a pipe leaves length and MD5 open: the frames are
// counted. ffmpeg is one.
func TestReadStreamedFLAC(t *testing.T) {
	want := onGrid(speechLike(1, 30011), 16)
	src := writeFile(t, "in.raw", raw(want, 16, false))
	b := run(t, "ffmpeg", "-v", "error", "-f", "s16le", "-ar", "44100", "-ac", "1", "-i", src, "-f", "flac", "-")
	r := openTest(t, writeFile(t, "a.flac", b))
	if i := r.Info(); i.Frames != 30011 || len(i.Notes) != 1 {
		t.Errorf("%+v", i)
	}
	same(t, "streamed", readAll(t, r, 777), want)
}

// Tags of another format around the stream are no part of it.
func TestReadFLACBetweenTags(t *testing.T) {
	want := onGrid(speechLike(1, 9000), 16)
	path := filepath.Join(t.TempDir(), "a.flac")
	writeFLAC(t, path, want, 44100, 16)
	b, _ := os.ReadFile(path)
	id3 := append([]byte("ID3\x04\x00\x00\x00\x00\x00\x64"), make([]byte, 100)...)
	v1 := append([]byte("TAG"), make([]byte, 125)...)
	b = append(append(id3, b...), v1...)
	r := openTest(t, writeFile(t, "b.flac", b))
	same(t, "between tags", readAll(t, r, 777), want)
}

// Every damaged byte of a FLAC file is noticed, by CRC, MD5 or structure;
// none gives other samples without an error.
func TestFLACDamage(t *testing.T) {
	want := onGrid(speechLike(1, 6000), 16)
	path := filepath.Join(t.TempDir(), "a.flac")
	writeFLAC(t, path, want, 44100, 16)
	whole, _ := os.ReadFile(path)
	for at := 42; at < len(whole); at += 7 {
		b := bytes.Clone(whole)
		b[at] ^= 0x10
		err := decodeBytes(b, sourceLimits())
		if err == nil {
			t.Errorf("byte %d changed: nothing noticed", at)
		}
	}
	for cut := 0; cut < len(whole); cut += 501 {
		if decodeBytes(whole[:cut], sourceLimits()) == nil {
			t.Errorf("cut at byte %d: nothing noticed", cut)
		}
	}
}

// The same samples give the same bytes, however they were cut.
func TestFLACDeterministic(t *testing.T) {
	ch := speechLike(2, 20000)
	var first []byte
	for _, block := range []int{1, 1024, 20000} {
		path := filepath.Join(t.TempDir(), "a.flac")
		w, err := CreateFLAC(path, 44100, 2, 24)
		if err != nil {
			t.Fatal(err)
		}
		writeBlocks(t, w.Write, ch, block)
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		b, _ := os.ReadFile(path)
		if first == nil {
			first = b
		} else if !bytes.Equal(first, b) {
			t.Errorf("blocks of %d give other bytes", block)
		}
	}
}

// The bytes of a file hang on nothing but its samples and FLACEncoder: raise
// its number when this digest changes. Run it with GOAMD64=v3 and with
// GODEBUG=cpu.fma=off too.
func TestFLACGolden(t *testing.T) {
	const want = "9b7e44703728d7e8b2533383d1d70d3828ca0f4a71e467ac52720ee3abeefd57"
	x := make([]float64, 20000)
	state, low := uint32(1), 0.0
	for i := range x { // exact in any arithmetic: halves and integers
		state = state*1664525 + 1013904223
		low = math.Floor(low*0.9375) + float64(int32(state)>>20)
		x[i] = low * 0x1p-17
	}
	path := filepath.Join(t.TempDir(), "a.flac")
	writeFLAC(t, path, onGrid([][]float64{x, x[:len(x):len(x)]}, 24), 44100, 24)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprintf("%x", sha256.Sum256(b)); got != want {
		t.Errorf("digest %s, want %s", got, want)
	}
	mod, err := os.ReadFile("../../go.mod")
	if err != nil {
		t.Fatal(err)
	}
	module, _, _ := strings.Cut(FLACEncoder, ",")
	if !strings.Contains(string(mod), "github.com/"+module+" ") && !strings.Contains(string(mod), "github.com/"+module+"\n") {
		t.Errorf("FLACEncoder says %q, go.mod does not", module)
	}
}

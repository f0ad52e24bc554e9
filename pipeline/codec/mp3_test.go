package codec

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"chapterhouse/dsp"
)

// openGo opens an MP3 without the lame program.
func openGo(t testing.TB, path string) *Reader {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	st, _ := f.Stat()
	r, err := openBytes(context.Background(), f, st.Size(), "", openLimits())
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Frame sizes and durations of ISO/IEC 11172-3 and 13818-3.
func TestMP3HeaderTable(t *testing.T) {
	f, err := os.Open("../../testdata/reference/mp3_frames.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rd := csv.NewReader(f)
	rd.Comment = '#'
	rows, err := rd.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, row := range rows[1:] {
		n := make([]float64, len(row))
		for i := range row {
			n[i], _ = strconv.ParseFloat(row[i], 64)
		}
		fs, kbps := int(n[0]), int(n[1])
		for pad := range 2 {
			b := headerBytes(t, fs, kbps, pad)
			h, ok := parseMP3Header(b)
			if !ok {
				t.Fatalf("%d Hz %d kbps: no header", fs, kbps)
			}
			want := int(n[4]) + pad // the table's padded size is the same where padding never occurs
			if h.rateHz != fs || h.kbps != kbps || h.samples != int(n[2]) || h.bytes != want {
				t.Errorf("%d Hz %d kbps padding %d: %+v, want %d bytes", fs, kbps, pad, h, want)
			}
			if ms := 1000 * float64(h.samples) / float64(h.rateHz); math.Abs(ms-n[7]) > 1e-4 {
				t.Errorf("%d Hz: a frame lasts %g ms, want %g", fs, ms, n[7])
			}
			checked++
		}
	}
	if checked < 40 {
		t.Errorf("only %d rows", checked)
	}
}

// headerBytes builds a mono header from the tables of the standard, in the
// direction opposite to parseMP3Header.
func headerBytes(t *testing.T, fs, kbps, pad int) []byte {
	rates := map[int][2]byte{44100: {3, 0}, 48000: {3, 1}, 32000: {3, 2}, 22050: {2, 0}, 24000: {2, 1}, 16000: {2, 2}}
	r, ok := rates[fs]
	if !ok {
		t.Fatalf("no rate %d", fs)
	}
	list := "32 40 48 56 64 80 96 112 128 160 192 224 256 320"
	if r[0] == 2 {
		list = "8 16 24 32 40 48 56 64 80 96 112 128 144 160"
	}
	for i, s := range strings.Fields(list) {
		if s == strconv.Itoa(kbps) {
			return []byte{0xFF, 0xE0 | r[0]<<3 | 1<<1 | 1, byte(i+1)<<4 | r[1]<<2 | byte(pad)<<1, 0xC0}
		}
	}
	t.Fatalf("no bit rate %d", kbps)
	return nil
}

// The share of padded frames in what lame writes is the published one.
func TestMP3Padding(t *testing.T) {
	path := encode(t, onGrid(speechLike(1, 44100*20), 24), MP3Options{Kbps: 192, RateHz: 44100, Channels: 1})
	b, _ := os.ReadFile(path)
	padded, n := 0, 0
	for len(b) > 0 {
		h, ok := parseMP3Header(b)
		if !ok {
			t.Fatal("no header")
		}
		if h.bytes != 626 && h.bytes != 627 {
			t.Fatalf("a frame of %d bytes", h.bytes)
		}
		padded += h.bytes - 626
		n++
		b = b[h.bytes:]
	}
	if got := float64(padded) / float64(n); math.Abs(got-46.0/49) > 0.005 {
		t.Errorf("%.4f of %d frames padded, want %.4f", got, n, 46.0/49)
	}
}

// Lengths around a frame, every sample rate: the decode has the source's
// length to the sample and its sound at the same place, with lame and with
// go-mp3, and the two agree within one step of 16 bits.
func TestDecodersAgree(t *testing.T) {
	type row struct{ frames, rate, kbps int }
	rows := []row{{100003, 48000, 192}, {100003, 32000, 128}, {100003, 24000, 96}, {100003, 22050, 64}, {100003, 16000, 64}, {100003, 44100, 320}}
	for _, n := range []int{1, 500, 575, 576, 1104, 1105, 1151, 1152, 1153, 2304, 44100, 100003} {
		rows = append(rows, row{n, 44100, 192})
	}
	for _, c := range rows {
		what := fmt.Sprintf("%+v", c)
		src := onGrid(speechLike(1, c.frames), 24)
		path := encode(t, src, MP3Options{Kbps: c.kbps, RateHz: c.rate, Channels: 1})
		one := openTest(t, path)
		if i := one.Info(); i.Frames != dsp.Frames(c.frames) || i.RateHz != c.rate || i.Channels != 1 || len(i.Notes) > 0 {
			t.Errorf("%s: %+v", what, i)
		}
		a, b := readAll(t, one, 1009)[0], readAll(t, openGo(t, path), 1024)[0]
		agree(t, what, a, b)
		if len(a) != c.frames {
			t.Fatalf("%s: %d frames", what, len(a))
		}
		if c.frames > 40000 {
			if lag := bestLag(src[0], a, 900); lag != 0 {
				t.Errorf("%s: the decode is %d samples late", what, lag)
			}
		}
	}
}

// agree compares two decodes, one step of 16 bits apart at most.
func agree(t testing.TB, what string, a, b []float64) {
	t.Helper()
	if len(a) != len(b) {
		t.Fatalf("%s: lame gives %d frames, the other %d", what, len(a), len(b))
	}
	for i := range a {
		if d := math.Abs(a[i] - b[i]); d > 0x1p-15 {
			t.Fatalf("%s: sample %d is %g with lame, %g with the other", what, i, a[i], b[i])
		}
	}
}

// Joint stereo: as long as its source and beside it, and within one step of
// what ffmpeg decodes (which rounds where lame rounds too, so 2 steps of 16
// bits are the limit). go-mp3 is not let near it.
func TestJointStereo(t *testing.T) {
	src := onGrid(speechLike(2, 60001), 24)
	path := encode(t, src, MP3Options{Kbps: 192, RateHz: 44100, Channels: 2})
	got := readAll(t, openTest(t, path), 1000)
	b := run(t, "ffmpeg", "-v", "error", "-i", path, "-f", "f64le", "-")
	for c := range src {
		want := make([]float64, len(b)/16)
		fromFloat64(want, b[8*c:], 16)
		if len(got[c]) != 60001 || len(want) != 60001 {
			t.Fatalf("%d frames, ffmpeg %d", len(got[c]), len(want))
		}
		for i := range want {
			if math.Abs(got[c][i]-want[i]) > 0x2p-15 {
				t.Fatalf("channel %d sample %d is %g, with ffmpeg %g", c, i, got[c][i], want[i])
			}
		}
		if lag := bestLag(src[c], got[c], 900); lag != 0 {
			t.Errorf("%d samples late", lag)
		}
	}
	t.Setenv("PATH", t.TempDir())
	if _, err := Open(path); err == nil || !strings.Contains(err.Error(), "install the lame package") || isSource(err) {
		t.Errorf("without lame: %v", err)
	}
}

// bestLag is the delay of b against a that correlates best.
func bestLag(a, b []float64, most int) int {
	best, at := math.Inf(-1), 0
	for lag := -most; lag <= most; lag++ {
		sum := 0.0
		for i := 1000; i < 30000; i++ {
			sum += a[i] * b[i+lag]
		}
		if sum > best {
			best, at = sum, lag
		}
	}
	return at
}

// Plain stereo is decoded alike by both.
func TestPlainStereo(t *testing.T) {
	src := onGrid(speechLike(2, 60001), 16)
	in := writeFile(t, "in.raw", raw(src, 16, false))
	path := filepath.Join(t.TempDir(), "a.mp3")
	run(t, "lame", "--quiet", "-r", "-s", "44.1", "-m", "s", "-b", "192", in, path)
	one, two := openTest(t, path), openGo(t, path)
	a, b := readAll(t, one, 1000), readAll(t, two, 1000)
	for c := range src {
		if len(a[c]) != 60001 {
			t.Fatalf("%d frames", len(a[c]))
		}
		agree(t, "plain stereo", a[c], b[c])
	}
}

// Without its Info frame a file is read with the usual delay, alike by both.
func TestMP3WithoutTag(t *testing.T) {
	src := onGrid(speechLike(1, 50000), 24)
	b, _ := os.ReadFile(encode(t, src, MP3Options{Kbps: 128, RateHz: 44100, Channels: 1}))
	h, _ := parseMP3Header(b)
	path := writeFile(t, "bare.mp3", b[h.bytes:])
	one, two := openTest(t, path), openGo(t, path)
	if len(one.Info().Notes) != 1 {
		t.Errorf("notes %q", one.Info().Notes)
	}
	x, y := readAll(t, one, 1000)[0], readAll(t, two, 1000)[0]
	if len(x) < 50000 || len(x) != int(one.Info().Frames) {
		t.Fatalf("%d frames", len(x))
	}
	agree(t, "no tag", x, y)
	if lag := bestLag(src[0], x, 900); lag != 0 {
		t.Errorf("%d samples late", lag)
	}
}

// Another encoder's tag is read too.
func TestMP3OfOthers(t *testing.T) {
	src := onGrid(speechLike(1, 50001), 16)
	in := writeFile(t, "in.raw", raw(src, 16, false))
	path := filepath.Join(t.TempDir(), "a.mp3")
	run(t, "ffmpeg", "-v", "error", "-f", "s16le", "-ar", "44100", "-ac", "1", "-i", in, "-c:a", "libmp3lame", "-b:a", "128k", path)
	got := readAll(t, openTest(t, path), 1000)[0]
	if len(got) != 50001 {
		t.Fatalf("%d frames", len(got))
	}
	agree(t, "ffmpeg", got, readAll(t, openGo(t, path), 1000)[0])
	if lag := bestLag(src[0], got, 900); lag != 0 {
		t.Errorf("%d samples late", lag)
	}
	if i, err := CheckCBR(path); err != nil || i.Kbps != 128 {
		t.Errorf("%+v, %v", i, err)
	}
}

// CheckCBR lets ID3 tags pass and names everything else.
func TestCheckCBR(t *testing.T) {
	o := MP3Options{Kbps: 192, RateHz: 44100, Channels: 1}
	src := onGrid(speechLike(1, 44100*3), 24)
	whole, _ := os.ReadFile(encode(t, src, o))
	low, _ := os.ReadFile(encode(t, src, MP3Options{Kbps: 128, RateHz: 44100, Channels: 1}))
	info, _ := parseMP3Header(whole)
	lowInfo, _ := parseMP3Header(low)
	half := info.bytes
	for i := 0; i < 57; i++ {
		h, _ := parseMP3Header(whole[half:])
		half += h.bytes
	}
	next, _ := parseMP3Header(whole[half:])
	id3 := append([]byte("ID3\x04\x00\x00\x00\x00\x02\x00"), make([]byte, 256)...)
	v1 := append([]byte("TAG"), make([]byte, 125)...)
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	flip := func(at int) []byte {
		b := bytes.Clone(whole)
		b[at] ^= 1
		return b
	}
	for _, c := range []struct {
		name string
		b    []byte
		want string // in the sentence; empty: passes
	}{
		{"whole", whole, ""},
		{"tagged", join(id3, whole, v1), ""},
		{"junk after", join(whole, []byte("hello")), "has 5 bytes after its last frame at 3.03 s that are no ID3 tag"},
		{"no Info frame", whole[info.bytes:], "has no Info tag"},
		{"a frame lost", join(whole[:half], whole[half+next.bytes:]), "frames where its Info tag counts"},
		{"another rate", join(whole[:half], low[lowInfo.bytes:]), "changes from 192 to 128 kbps at 1.49 s"},
		{"cut", whole[:half+100], "ends inside a frame at 1.49 s (100 of its 627 bytes are there)"},
		{"audio changed", flip(half + 200), "frames that are not those its encoder wrote"},
		{"tag changed", flip(100), "wrong checksum"},
		{"empty", nil, "has no audio in it"},
	} {
		_, err := CheckCBR(writeFile(t, "a.mp3", c.b))
		switch {
		case c.want == "" && err != nil:
			t.Errorf("%s: %v", c.name, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want) || !isSource(err)):
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// A variable rate is noticed.
func TestCheckVBR(t *testing.T) {
	src := writeFile(t, "in.raw", raw(onGrid(speechLike(1, 44100*3), 16), 16, false))
	path := filepath.Join(t.TempDir(), "a.mp3")
	run(t, "lame", "--quiet", "-r", "-s", "44.1", "-m", "m", "-V", "2", src, path)
	if _, err := CheckCBR(path); err == nil || !strings.Contains(err.Error(), "kbps at") {
		t.Errorf("%v", err)
	}
	if got := readAll(t, openTest(t, path), 1000)[0]; len(got) != 44100*3 {
		t.Errorf("%d frames", len(got))
	}
}

package codec

import (
	"bytes"
	"encoding/binary"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"chapterhouse/pipeline"
)

var update = flag.Bool("update", false, "write testdata/hostile again")

const golden = "testdata/hostile.golden"

// hostileFile is a file that a narrator, a broken disk or someone with bad
// intent could send.
type hostileFile struct {
	name string
	b    []byte
}

// chunkOf is a RIFF chunk whose size field may lie.
func chunkOf(id string, size uint32, body []byte) []byte {
	b := append([]byte(id), 0, 0, 0, 0)
	binary.LittleEndian.PutUint32(b[4:], size)
	return append(b, body...)
}

func fmtOf(tag, channels, rate, bits int) []byte {
	le := binary.LittleEndian
	align := channels * ((bits + 7) / 8)
	b := le.AppendUint16(nil, uint16(tag))
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rate))
	b = le.AppendUint32(b, uint32(rate*align))
	b = le.AppendUint16(b, uint16(align))
	b = le.AppendUint16(b, uint16(bits))
	return chunkOf("fmt ", 16, b)
}

// riffOf joins chunks under a header whose size is right.
func riffOf(form string, chunks ...[]byte) []byte {
	body := bytes.Join(chunks, nil)
	b := append(chunkOf(form, uint32(len(body)+4), []byte("WAVE")), body...)
	return b
}

// longer gives a file's header the size that goes with a data chunk of n bytes.
func longer(n uint32, b []byte) []byte {
	binary.LittleEndian.PutUint32(b[4:], 36+n)
	return b
}

func dataOf(b []byte) []byte { return chunkOf("data", uint32(len(b)), b) }

// floatsAt is n zeros of 32 bit float with one other value.
func floatsAt(n, at int, v float32) []byte {
	b := make([]byte, 4*n)
	binary.LittleEndian.PutUint32(b[4*at:], math.Float32bits(v))
	return b
}

func ds64Of(data uint64) []byte {
	b := binary.LittleEndian.AppendUint64(nil, data+100)
	b = binary.LittleEndian.AppendUint64(b, data)
	b = binary.LittleEndian.AppendUint64(b, data/2)
	return chunkOf("ds64", 28, append(b, 0, 0, 0, 0))
}

func hostileWAVs() []hostileFile {
	pcm := fmtOf(1, 1, 44100, 16)
	tone := raw(onGrid(speechLike(1, 1000), 16), 16, false)
	half := tone[:882] // 0.01 s
	ext := func(guid string) []byte {
		f := fmtOf(tagExtensible, 1, 44100, 16)[8:]
		f = append(f, 22, 0, 16, 0, 4, 0, 0, 0)
		return chunkOf("fmt ", 40, append(f, guid...))
	}
	var many [][]byte
	many = append(many, pcm)
	for range 1200 {
		many = append(many, chunkOf("JUNK", 0, nil))
	}
	noise := make([]byte, 70000)
	for i := range noise {
		noise[i] = byte(i*i>>3) | 0x80
	}
	badAlign := fmtOf(1, 1, 44100, 16)
	badAlign[8+12] = 7
	list := append([]byte("INFOIART"), 0xFF, 0xFF, 0xFF, 0xFF, 'x', 0)
	return []hostileFile{
		{"empty.wav", nil},
		{"header-only.wav", riffOf("RIFF", pcm, dataOf(nil))},
		{"riff-only.wav", []byte("RIFF\x04\x00\x00\x00WAVE")},
		{"no-fmt.wav", riffOf("RIFF", dataOf(half))},
		{"short-fmt.wav", riffOf("RIFF", chunkOf("fmt ", 14, pcm[8:22]), dataOf(half))},
		{"truncated.wav", longer(88200, riffOf("RIFF", pcm, chunkOf("data", 88200, half)))},
		{"claims-4gb.wav", longer(0xFFFFFF00, riffOf("RIFF", pcm, chunkOf("data", 0xFFFFFF00, tone)))},
		{"half-frame.wav", riffOf("RIFF", fmtOf(1, 2, 44100, 24), dataOf(tone[:602]))},
		{"zero-hz.wav", riffOf("RIFF", fmtOf(1, 1, 0, 16), dataOf(half))},
		{"slow.wav", riffOf("RIFF", fmtOf(1, 1, 4000, 16), dataOf(half))},
		{"fast.wav", riffOf("RIFF", fmtOf(1, 1, 384000, 16), dataOf(half))},
		{"no-channels.wav", riffOf("RIFF", fmtOf(1, 0, 44100, 16), dataOf(half))},
		{"nine-channels.wav", riffOf("RIFF", fmtOf(1, 9, 44100, 16), dataOf(half))},
		{"eight-bits.wav", riffOf("RIFF", fmtOf(1, 1, 44100, 8), dataOf(half))},
		{"many-bits.wav", riffOf("RIFF", fmtOf(1, 1, 44100, 12345), dataOf(half))},
		{"no-bits.wav", riffOf("RIFF", fmtOf(1, 1, 44100, 0), dataOf(half))},
		{"odd-float.wav", riffOf("RIFF", fmtOf(3, 1, 44100, 16), dataOf(half))},
		{"contradiction.wav", riffOf("RIFF", badAlign, dataOf(half))},
		{"u-law.wav", riffOf("RIFF", fmtOf(7, 1, 44100, 8), dataOf(half))},
		{"mp3-inside.wav", riffOf("RIFF", fmtOf(0x55, 1, 44100, 0), dataOf(half))},
		{"unknown-sub-format.wav", riffOf("RIFF", ext("\x01\x00 made up here "), dataOf(half))},
		{"nan.wav", riffOf("RIFF", fmtOf(3, 1, 44100, 32), dataOf(floatsAt(2000, 1323, float32(math.NaN()))))},
		{"inf.wav", riffOf("RIFF", fmtOf(3, 1, 44100, 32), dataOf(floatsAt(2000, 1323, float32(math.Inf(-1)))))},
		{"huge.wav", riffOf("RIFF", fmtOf(3, 1, 44100, 32), dataOf(floatsAt(2000, 1323, 1e30)))},
		{"endless-chunk.wav", riffOf("RIFF", chunkOf("JUNK", 0xFFFFFFFF, nil), pcm, dataOf(half))},
		{"wrapping-chunk.wav", riffOf("RIFF", chunkOf("JUNK", 0xFFFFFFF8, nil), pcm, dataOf(half))},
		{"many-chunks.wav", riffOf("RIFF", append(many, dataOf(half))...)},
		{"audio-after-data.wav", riffOf("RIFF", pcm, dataOf(half), noise)},
		{"overflow.rf64.wav", riffOf("RF64", ds64Of(math.MaxUint64-7), pcm, chunkOf("data", unset, half))},
		{"negative.rf64.wav", riffOf("RF64", ds64Of(1<<63+882), pcm, chunkOf("data", unset, half))},
		{"short-ds64.wav", riffOf("RF64", chunkOf("ds64", 8, make([]byte, 8)), pcm, dataOf(half))},
		{"video-inside.wav", riffOf("RIFF", fmtOf(0xFF, 1, 44100, 0), dataOf(half))},
		// These are odd, and readable.
		{"crashed-0.wav", append(chunkOf("RIFF", 0, []byte("WAVE")), bytes.Join([][]byte{pcm, chunkOf("data", 0, half)}, nil)...)},
		{"crashed-ff.wav", append(chunkOf("RIFF", unset, []byte("WAVE")), bytes.Join([][]byte{pcm, chunkOf("data", unset, half)}, nil)...)},
		{"size-0-riff-right.wav", riffOf("RIFF", pcm, chunkOf("data", 0, tone))},
		{"size-beyond-riff-right.wav", riffOf("RIFF", pcm, chunkOf("data", 88200, tone))},
		{"size-2gb-piped.wav", longer(0x7FFFF000, riffOf("RIFF", pcm, chunkOf("data", 0x7FFFF000, tone)))},
		{"size-beyond-riff-open.wav", append(chunkOf("RIFF", unset, []byte("WAVE")), bytes.Join([][]byte{pcm, chunkOf("data", unset-36, tone)}, nil)...)},
		{"size-counts-header.wav", longer(uint32(len(tone)+44), riffOf("RIFF", pcm, chunkOf("data", uint32(len(tone)+44), tone)))},
		{"no-pad.wav", riffOf("RIFF", chunkOf("JUNK", 3, []byte{1, 2, 3}), pcm, dataOf(half))},
		{"no-pad-at-end.wav", riffOf("RIFF", fmtOf(1, 1, 44100, 24), dataOf(tone[:1899]))},
		{"no-pad-then-list.wav", riffOf("RIFF", fmtOf(1, 1, 44100, 24), dataOf(tone[:1899]), chunkOf("LIST", 4, []byte("INFO")))},
		{"ds64-of-0.wav", riffOf("RF64", ds64Of(0), pcm, chunkOf("data", unset, half))},
		{"ds64-unset.wav", riffOf("BW64", ds64Of(math.MaxUint64), pcm, chunkOf("data", unset, half))},
		{"short-bext.wav", riffOf("RIFF", pcm, chunkOf("bext", 40, bytes.Repeat([]byte{0xE9}, 40)), dataOf(half))},
		{"lying-cues.wav", riffOf("RIFF", pcm, chunkOf("cue ", 28, append([]byte{0xFF, 0xFF, 0xFF, 0xFF}, make([]byte, 24)...)), dataOf(half))},
		{"no-ds64.wav", riffOf("RF64", pcm, chunkOf("data", unset, half))},
		{"lying-list.wav", append(riffOf("RIFF", pcm, chunkOf("LIST", uint32(len(list)), list), dataOf(half)), 1, 2, 3)},
	}
}

func hostileFLACs(t testing.TB) []hostileFile {
	path := filepath.Join(t.TempDir(), "a.flac")
	writeFLAC(t, path, onGrid(speechLike(1, 3000), 16), 44100, 16)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	// STREAMINFO starts at byte 8: rate at 18 (20 bits), channels (3 bits),
	// bits (5 bits), samples (36 bits), MD5 at 26.
	with := func(at int, v ...byte) []byte {
		b := bytes.Clone(whole)
		copy(b[at:], v)
		return b
	}
	mid := len(whole) / 2
	return []hostileFile{
		{"only-magic.flac", whole[:4]},
		{"only-header.flac", whole[:42]},
		{"zero-hz.flac", with(18, 0, 0, whole[20]&0x0F)},
		{"truncated.flac", whole[:mid]},
		{"damaged.flac", with(mid, whole[mid]^0x55)},
		{"other-samples.flac", with(30, 1, 2, 3, 4)},
		{"claims-more.flac", with(24, 0x1B, 0x10)},
		{"claims-less.flac", with(24, 0x07, 0x10)},
		{"claims-a-month.flac", with(21, whole[21]&0xF0|0xF, 0xFF, 0xFF, 0xFF, 0xFF)},
		{"eight-channels.flac", with(20, whole[20]|0x0E)},
		{"other-channels.flac", with(20, whole[20]|0x02)},
		{"eight-bits.flac", with(21, 0x70|whole[21]&0x0F)},
		{"32-bits.flac", with(20, whole[20]|1, 0xF0|whole[21]&0x0F)},
		{"endless-metadata.flac", with(42-38, 0x00, 0xFF, 0xFF, 0xFF)},
		{"frames-of-one-block.flac", append(bytes.Clone(whole), whole[42:]...)},
	}
}

func hostileOthers() []hostileFile {
	silent := append([]byte{0xFF, 0xFB, 0x90, 0xC0}, make([]byte, 413)...) // 128 kbps, 44.1 kHz, mono
	mp3 := bytes.Repeat(silent, 4)
	return []hostileFile{
		{"text.wav", []byte("Take two. The first one had a lorry in it; sorry.\n")},
		{"bytes.wav", []byte("\x01\x02\x03\x04 nothing known starts like this")},
		{"really-mp3.wav", mp3},
		{"tagged.mp3", append([]byte("ID3\x03\x00\x00\x00\x00\x00\x0a0123456789"), mp3...)},
		{"other.aiff", []byte("FORM\x00\x00\x00\x20AIFFCOMM\x00\x00\x00\x12")},
		{"phone.m4a", []byte("\x00\x00\x00\x20ftypM4A \x00\x00\x00\x00")},
		{"film.flac", []byte("\x00\x00\x00\x20ftypisom\x00\x00\x00\x00")},
		{"film.wav", []byte("\x1a\x45\xdf\xa3\x9fB\x86\x81\x01")},
		{"chat.wav", []byte("OggS\x00\x02" + strings.Repeat("\x00", 22) + "OpusHead\x01\x01")},
		{"old.wma", []byte("\x30\x26\xb2\x75\x8e\x66\xcf\x11\xa6\xd9")},
		{"other.caf", []byte("caff\x00\x01\x00\x00desc")},
		{"cover.wav", []byte("\x89PNG\r\n\x1a\n\x00\x00")},
		{"late.wav", append(make([]byte, 1500), mp3...)},
		{"phone.aac", []byte("\xFF\xF1\x50\x80\x02\x1F\xFC\x00\x00")},
		{"chat.ogg", []byte("OggS\x00\x02\x00\x00\x00\x00\x00\x00\x00\x00")},
		{"film.avi", []byte("RIFF\x20\x00\x00\x00AVI LIST")},
		{"big-endian.wav", []byte("RIFX\x00\x00\x00\x20WAVEfmt ")},
		{"all.zip", []byte("PK\x03\x04\x14\x00\x00\x00")},
		{"one-byte.wav", []byte{0}},
	}
}

func hostile(t testing.TB) []hostileFile {
	return append(append(hostileWAVs(), hostileFLACs(t)...), hostileOthers()...)
}

// verdictOn opens a file as a source, reads it to its end and says in one
// line what came of it.
func verdictOn(t *testing.T, path string) string {
	name := filepath.Base(path)
	r, err := OpenSource(path, name)
	if err != nil {
		return sentence(t, name, err)
	}
	defer r.Close()
	ch := make([][]float64, r.Info().Channels)
	for c := range ch {
		ch[c] = make([]float64, 512)
	}
	n := 0
	for {
		m, err := r.Read(ch)
		n += m
		if err == io.EOF {
			return fmt.Sprintf("%s is read: %d frames, %q", name, n, r.Info().Notes)
		}
		if err != nil {
			return sentence(t, name, err)
		}
	}
}

// sentence checks that an error is one sentence about the file.
func sentence(t *testing.T, name string, err error) string {
	t.Helper()
	s := err.Error()
	if !isSource(err) {
		t.Errorf("%s: kind %s of %q, want source", name, pipeline.KindOf(err), s)
	}
	if strings.ContainsAny(s, "\n") || !strings.HasPrefix(s, name+": ") || strings.Count(s, ": ") < 2 {
		t.Errorf("not one sentence with name and remedy: %q", s)
	}
	return s
}

// Every hostile file gives the sentence that stands in the golden file: the
// name, the place, what to do.
func TestHostile(t *testing.T) {
	var got strings.Builder
	total := 0
	for _, h := range hostile(t) {
		path := filepath.Join("testdata", "hostile", h.name)
		if *update {
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, h.b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b, h.b) {
			t.Errorf("%s is not the file that the table makes: run with -update", h.name)
		}
		total += len(b)
		got.WriteString(verdictOn(t, path) + "\n")
	}
	if total > 200<<10 {
		t.Errorf("the hostile files take %d bytes", total)
	}
	if *update {
		if err := os.WriteFile(golden, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	w, g := strings.Split(string(want), "\n"), strings.Split(got.String(), "\n")
	for i := range max(len(w), len(g)) {
		switch {
		case i >= len(w) || i >= len(g):
			t.Fatalf("%d sentences, want %d", len(g), len(w))
		case w[i] != g[i]:
			t.Errorf("got  %s\nwant %s", g[i], w[i])
		}
	}
}

// No file makes the package take memory that a header asks for.
func TestHostileMemory(t *testing.T) {
	for _, h := range hostile(t) {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_ = decodeBytes(h.b, sourceLimits())
		runtime.ReadMemStats(&after)
		if n := after.TotalAlloc - before.TotalAlloc; n > 4<<20 {
			t.Errorf("%s (%d bytes) takes %d bytes of memory", h.name, len(h.b), n)
		}
	}
}

// A file that is no file, and one that is not there.
func TestOpenNothing(t *testing.T) {
	if _, err := OpenSource(t.TempDir(), "takes"); !isSource(err) {
		t.Errorf("a folder: %v", err)
	}
	if _, err := OpenSource(filepath.Join(t.TempDir(), "x"), "x"); err == nil || isSource(err) {
		t.Errorf("nothing: %v", err)
	}
}

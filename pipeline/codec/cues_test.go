package codec

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// The bytes are laid out by hand after "Multimedia Programming Interface and
// Data Specifications 1.0" (1991), section "WAVE file format": cue and
// associated data list.

func riffChunk(id string, body []byte) []byte {
	b := binary.LittleEndian.AppendUint32([]byte(id), uint32(len(body)))
	b = append(b, body...)
	if len(body)%2 == 1 {
		b = append(b, 0)
	}
	return b
}

type cuePoint struct {
	id    uint32
	chunk string
	at    uint32
}

func cueChunk(count uint32, points ...cuePoint) []byte {
	body := binary.LittleEndian.AppendUint32(nil, count)
	for i, p := range points {
		body = binary.LittleEndian.AppendUint32(body, p.id)
		body = binary.LittleEndian.AppendUint32(body, uint32(i)) // place in the play order
		body = append(body, p.chunk...)
		body = binary.LittleEndian.AppendUint32(body, 0)
		body = binary.LittleEndian.AppendUint32(body, 0)
		body = binary.LittleEndian.AppendUint32(body, p.at)
	}
	return riffChunk("cue ", body)
}

// text is a sub-chunk of an associated data list.
func text(kind string, id uint32, s string) []byte {
	body := binary.LittleEndian.AppendUint32(nil, id)
	if kind == "ltxt" {
		body = append(append(body, make([]byte, 4)...), "rgn \x00\x00\x00\x00\x00\x00\x00\x00"...)
	}
	return riffChunk(kind, append(append(body, s...), 0))
}

func adtl(entries ...[]byte) []byte {
	return riffChunk("LIST", append([]byte("adtl"), bytes.Join(entries, nil)...))
}

// wavWith is a second of silence in 16 bits with chunks behind it.
func wavWith(chunks ...[]byte) []byte {
	fmtBody := []byte("\x01\x00\x01\x00\x44\xac\x00\x00\x88\x58\x01\x00\x02\x00\x10\x00")
	body := bytes.Join(append([][]byte{[]byte("WAVE"), riffChunk("fmt ", fmtBody), riffChunk("data", make([]byte, 2*44100))}, chunks...), nil)
	return append(binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body))), body...)
}

func TestCues(t *testing.T) {
	for _, c := range []struct {
		what  string
		file  []byte
		want  []pipeline.Cue
		notes int
	}{
		{"none", wavWith(), nil, 0},
		{"with labels", wavWith(cueChunk(2, cuePoint{1, "data", 0}, cuePoint{2, "data", 20000}), adtl(text("labl", 1, "Low Water"), text("labl", 2, "Frost"))),
			[]pipeline.Cue{{At: 0, Label: "Low Water"}, {At: 20000, Label: "Frost"}}, 0},
		{"labels in front", wavWith(adtl(text("labl", 7, "Frost")), cueChunk(1, cuePoint{7, "data", 5})), []pipeline.Cue{{At: 5, Label: "Frost"}}, 0},
		{"out of order", wavWith(cueChunk(2, cuePoint{1, "data", 20000}, cuePoint{2, "data", 100}), adtl(text("labl", 1, "B"), text("labl", 2, "A"))),
			[]pipeline.Cue{{At: 100, Label: "A"}, {At: 20000, Label: "B"}}, 0},
		{"odd lengths", wavWith(cueChunk(2, cuePoint{1, "data", 1}, cuePoint{2, "data", 2}), adtl(text("labl", 1, "odd"), text("labl", 2, "even"))),
			[]pipeline.Cue{{At: 1, Label: "odd"}, {At: 2, Label: "even"}}, 0},
		{"a note, and a stretch's text", wavWith(cueChunk(3, cuePoint{1, "data", 1}, cuePoint{2, "data", 2}, cuePoint{3, "data", 3}),
			adtl(text("note", 1, "noted"), text("ltxt", 2, "stretch"), text("ltxt", 3, "stretch"), text("labl", 3, "named"), text("note", 3, "noted"))),
			[]pipeline.Cue{{At: 1, Label: "noted"}, {At: 2, Label: "stretch"}, {At: 3, Label: "named"}}, 0},
		{"no label", wavWith(cueChunk(1, cuePoint{1, "data", 9}), adtl(text("labl", 2, "of another"))), []pipeline.Cue{{At: 9}}, 0},
		{"two at one place", wavWith(cueChunk(3, cuePoint{1, "data", 9}, cuePoint{2, "data", 9}, cuePoint{3, "data", 10}), adtl(text("labl", 1, "first"), text("labl", 2, "second"))),
			[]pipeline.Cue{{At: 9, Label: "first"}, {At: 10}}, 1},
		{"two at one place, the second with a label", wavWith(cueChunk(3, cuePoint{1, "data", 9}, cuePoint{2, "data", 9}, cuePoint{3, "data", 10}), adtl(text("labl", 2, "second"))),
			[]pipeline.Cue{{At: 9, Label: "second"}, {At: 10}}, 1},
		{"beyond the end", wavWith(cueChunk(2, cuePoint{1, "data", 44100}, cuePoint{2, "data", 44099})), []pipeline.Cue{{At: 44099}}, 1},
		{"in another chunk", wavWith(cueChunk(1, cuePoint{1, "slnt", 9})), nil, 0},
		{"a count that lies", wavWith(cueChunk(4_000_000_000, cuePoint{1, "data", 9})), []pipeline.Cue{{At: 9}}, 0},
		{"ISO 8859-1", wavWith(cueChunk(1, cuePoint{1, "data", 9}), adtl(text("labl", 1, "Caf\xe9"))), []pipeline.Cue{{At: 9, Label: "Café"}}, 0},
		{"code page 1252", wavWith(cueChunk(1, cuePoint{1, "data", 9}), adtl(text("labl", 1, "Zw\xf6lf \x96 M\xf6wen"))), []pipeline.Cue{{At: 9, Label: "Zwölf – Möwen"}}, 0},
		{"labels without points", wavWith(adtl(text("labl", 1, "one"))), nil, 0},
		{"UTF-8 and control characters", wavWith(cueChunk(1, cuePoint{1, "data", 9}), adtl(text("labl", 1, "Глава\x1b[2J\n1"))), []pipeline.Cue{{At: 9, Label: "Глава [2J 1"}}, 0},
		{"a label that is cut off", wavWith(cueChunk(1, cuePoint{1, "data", 9}), riffChunk("LIST", []byte("adtllabl\xff\xff\xff\x7f\x01\x00\x00\x00x"))), []pipeline.Cue{{At: 9}}, 0},
		{"nothing in the chunk", wavWith(riffChunk("cue ", []byte{1, 0})), nil, 0},
	} {
		path := filepath.Join(t.TempDir(), "a.wav")
		if err := os.WriteFile(path, c.file, 0o644); err != nil {
			t.Fatal(err)
		}
		r, err := OpenSource(path, "a.wav")
		if err != nil {
			t.Errorf("%s: %v", c.what, err)
			continue
		}
		if got := r.Info(); !reflect.DeepEqual(got.Cues, c.want) || len(got.Notes) != c.notes {
			t.Errorf("%s: %+v, notes %q; want %+v", c.what, got.Cues, got.Notes, c.want)
		}
		r.Close()
	}
}

// TestManyCues: no more points are read than a title has chapters.
func TestManyCues(t *testing.T) {
	points := make([]cuePoint, 3000)
	for i := range points {
		points[i] = cuePoint{uint32(i), "data", uint32(i * 10)}
	}
	path := filepath.Join(t.TempDir(), "a.wav")
	if err := os.WriteFile(path, wavWith(cueChunk(3000, points...)), 0o644); err != nil {
		t.Fatal(err)
	}
	r, err := OpenSource(path, "a.wav")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if got := r.Info(); len(got.Cues) != maxCues || len(got.Notes) != 1 {
		t.Errorf("%d points, notes %q", len(got.Cues), got.Notes)
	}
}

// A WAV's cue points come out of the flac program, which keeps foreign chunks,
// as they went in; of the FLAC between, it is told that it holds some.
func TestCuesOfOthers(t *testing.T) {
	want := []pipeline.Cue{{At: 10, Label: "One"}, {At: 500, Label: "Two Lanterns"}}
	there := writeFile(t, "a.wav", wavWith(cueChunk(2, cuePoint{1, "data", 10}, cuePoint{2, "data", 500}), adtl(text("labl", 1, "One"), text("labl", 2, "Two Lanterns"))))
	dir := t.TempDir()
	packed, back := filepath.Join(dir, "a.flac"), filepath.Join(dir, "b.wav")
	run(t, "flac", "-s", "--keep-foreign-metadata", "-o", packed, there)
	if !openTest(t, packed).Info().Sheet {
		t.Error("cue points that the flac program kept were not seen")
	}
	run(t, "flac", "-s", "-d", "--keep-foreign-metadata", "-o", back, packed)
	if got := openTest(t, back).Info().Cues; !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
}

// A FLAC's cue sheet, as the metaflac program writes it, is seen where it tells
// tracks apart.
func TestSheetOfOthers(t *testing.T) {
	for _, c := range []struct {
		name, tracks string
		want         bool
	}{
		{"one track", "  TRACK 01 AUDIO\n    INDEX 01 00:00:00\n", false},
		{"two tracks", "  TRACK 01 AUDIO\n    INDEX 01 00:00:00\n  TRACK 02 AUDIO\n    INDEX 01 00:00:02\n", true},
	} {
		path := filepath.Join(t.TempDir(), "a.flac")
		writeFLAC(t, path, onGrid(speechLike(1, 3000), 16), 44100, 16)
		if openTest(t, path).Info().Sheet {
			t.Errorf("%s: a cue sheet in a file without one", c.name)
		}
		run(t, "metaflac", "--import-cuesheet-from="+writeFile(t, "a.cue", []byte("FILE \"a.wav\" WAVE\n"+c.tracks)), path)
		if got := openTest(t, path).Info().Sheet; got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// Lists of labels are read up to a bound, whatever their number and size.
func TestManyLabels(t *testing.T) {
	long := adtl(bytes.Repeat(text("labl", 7, strings.Repeat("x", 1000)), 900))
	path := writeFile(t, "a.wav", wavWith(slices.Concat([][]byte{cueChunk(1, cuePoint{7, "data", 10})}, slices.Repeat([][]byte{long}, 30))...))
	took := memoryOf(func() {
		if got := openTest(t, path).Info().Cues; len(got) != 1 || len(got[0].Label) != maxTagRunes {
			t.Errorf("%+v", got)
		}
	})
	if took > 8<<20 {
		t.Errorf("%d bytes of memory for 27 MB of labels", took)
	}
}

// FuzzCues puts any bytes in a cue chunk and a list of labels: what comes out is
// in order, inside the recording, one line each, and takes no more memory than
// the bytes allow.
func FuzzCues(f *testing.F) {
	const frames = 1000
	f.Add(cueChunk(2, cuePoint{1, "data", 10}, cuePoint{2, "data", 20})[8:], adtl(text("labl", 1, "One"), text("ltxt", 2, "Two"))[12:])
	f.Add(cueChunk(0xFFFFFFFF, cuePoint{1, "data", 10}, cuePoint{2, "data", 10})[8:], []byte("labl\xff\xff\xff\xff\x01\x00\x00\x00"))
	f.Add([]byte{0xE8, 3, 0, 0}, bytes.Repeat([]byte("note\x00\x00\x00\x00"), 50))
	f.Fuzz(func(t *testing.T, cue, list []byte) {
		if len(cue)+len(list) > 1<<16 {
			return
		}
		b := append(slices.Clone(cue), append([]byte("adtl"), list...)...)
		file := &counted{b: b}
		var cues []pipeline.Cue
		took := memoryOf(func() {
			var err error
			cues, _, err = readCues(file, byteSpan{0, int64(len(cue))}, []byteSpan{{int64(len(cue)), int64(len(list) + 4)}}, frames)
			if err != nil {
				t.Fatal(err)
			}
		})
		if file.calls > 4 || took > mostMemory(len(b)) {
			t.Errorf("%d reads and %d bytes of memory for %d bytes", file.calls, took, len(b))
		}
		before := dsp.Frames(-1)
		for _, c := range cues {
			if c.At <= before || c.At >= frames || pipeline.Visible(c.Label) != c.Label || len([]rune(c.Label)) > maxTagRunes {
				t.Errorf("%+v after %d", c, before)
			}
			before = c.At
		}
	})
}

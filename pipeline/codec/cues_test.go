package codec

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"reflect"
	"testing"

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
			[]pipeline.Cue{{At: 9, Label: "first"}, {At: 10}}, 0},
		{"beyond the end", wavWith(cueChunk(2, cuePoint{1, "data", 44100}, cuePoint{2, "data", 44099})), []pipeline.Cue{{At: 44099}}, 1},
		{"in another chunk", wavWith(cueChunk(1, cuePoint{1, "slnt", 9})), nil, 0},
		{"a count that lies", wavWith(cueChunk(4_000_000_000, cuePoint{1, "data", 9})), []pipeline.Cue{{At: 9}}, 0},
		{"ISO 8859-1", wavWith(cueChunk(1, cuePoint{1, "data", 9}), adtl(text("labl", 1, "Caf\xe9"))), []pipeline.Cue{{At: 9, Label: "Café"}}, 0},
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

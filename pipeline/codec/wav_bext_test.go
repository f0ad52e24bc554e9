package codec

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"chapterhouse/pipeline"
)

// What ffmpeg writes into a bext chunk is read, from RIFF and from RF64.
func TestBextOfOthers(t *testing.T) {
	src := writeFile(t, "in.raw", make([]byte, 2000))
	for _, rf64 := range []string{"never", "always"} {
		path := filepath.Join(t.TempDir(), "a.wav")
		run(t, "ffmpeg", "-v", "error", "-f", "s16le", "-ar", "48000", "-ac", "1", "-i", src,
			"-write_bext", "1", "-rf64", rf64, "-metadata", "description=Low Water, take 3\nafter the rain",
			"-metadata", "originator=field recorder", "-metadata", "originator_reference=FR0000417",
			"-metadata", "origination_date=2026-03-14", "-metadata", "origination_time=10:05:59",
			"-metadata", "time_reference=1744560000", path)
		want := &pipeline.Bext{
			Description: "Low Water, take 3 after the rain", Originator: "field recorder", OriginatorReference: "FR0000417",
			Date: "2026-03-14", Time: "10:05:59", TimeReference: 1744560000, Version: 1,
		}
		if got := openTest(t, path).Info().Bext; !reflect.DeepEqual(got, want) {
			t.Errorf("rf64 %s: %+v, want %+v", rf64, got, want)
		}
	}
}

// The fields stand where EBU Tech 3285 puts them; what is no text or no time of
// day is left out.
func TestBext(t *testing.T) {
	body := func(reference uint64, description string) []byte {
		b := make([]byte, 602)
		copy(b, description)
		copy(b[256:], "desk")
		copy(b[320:], "2026-03-14")
		copy(b[330:], "10:05:59")
		binary.LittleEndian.PutUint64(b[338:], reference)
		b[346] = 2
		return append(b, "A=PCM,F=44100\r\n"...)
	}
	full := strings.Repeat("x", 256) // no zero ends it
	for _, c := range []struct {
		name string
		b    []byte
		want *pipeline.Bext
	}{
		{"all", body(1<<33, "one"), &pipeline.Bext{Description: "one", Originator: "desk", Date: "2026-03-14", Time: "10:05:59", TimeReference: 1 << 33, Version: 2}},
		{"full field", body(0, full), &pipeline.Bext{Description: full[:maxTagRunes], Originator: "desk", Date: "2026-03-14", Time: "10:05:59", Version: 2}},
		{"not UTF-8", body(0, "No\xebl\x1b[2J"), &pipeline.Bext{Description: "Noël [2J", Originator: "desk", Date: "2026-03-14", Time: "10:05:59", Version: 2}},
		{"no time of day", body(1<<63, ""), &pipeline.Bext{Originator: "desk", Date: "2026-03-14", Time: "10:05:59", Version: 2}},
		{"cut in the date", body(0, "one")[:325], &pipeline.Bext{Description: "one", Originator: "desk", Date: "2026-"}},
		{"nothing in it", make([]byte, 602), nil},
		{"empty", nil, nil},
	} {
		path := writeFile(t, "a.wav", riffOf("RIFF", fmtOf(1, 1, 44100, 16), padded(chunkOf("bext", uint32(len(c.b)), c.b)), dataOf(make([]byte, 200))))
		if got := openTest(t, path).Info().Bext; !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

func padded(chunk []byte) []byte {
	if len(chunk)%2 == 1 {
		return append(chunk, 0)
	}
	return chunk
}

// A WAV whose sizes are wrong is read to the last sample where it is plain what
// they should be, and says so; what ffmpeg makes of it stands beside. One that
// was cut is refused: its own header tells that audio is missing.
func TestWrongSizes(t *testing.T) {
	want := onGrid(speechLike(1, 30013), 16)
	src := writeFile(t, "in.raw", raw(want, 16, false))
	whole := riffOf("RIFF", fmtOf(1, 1, 44100, 16), dataOf(raw(want, 16, false)))
	run(t, "sox", "--version")
	piped := run(t, "sh", "-c", "cat '"+src+"' | sox -V1 -D -t raw -e signed-integer -b 16 -r 44100 -c 1 - -t wav - 2>/dev/null | cat")
	sizes := func(riff, data uint32) []byte {
		b := bytes.Clone(whole)
		binary.LittleEndian.PutUint32(b[4:], riff)
		binary.LittleEndian.PutUint32(b[40:], data)
		return b
	}
	right := uint32(len(whole) - 8)
	for _, c := range []struct {
		name   string
		b      []byte
		notes  int
		unsure bool
		fails  string
	}{
		{"right", whole, 0, false, ""},
		{"sox into a pipe", piped, 1, false, ""},
		{"both 0", sizes(0, 0), 1, false, ""},
		{"both FFFFFFFF", sizes(unset, unset), 1, false, ""},
		{"data 0, RIFF right", sizes(right, 0), 1, false, ""},
		{"data FFFFFFFF, RIFF right", sizes(right, unset), 1, false, ""},
		{"data 100 s, RIFF right", sizes(right, 8820000), 1, true, ""},
		{"data counts the header", sizes(right, 60026+44), 1, false, ""},
		{"data right, RIFF wrong", sizes(12345, 60026), 1, false, ""},
		{"cut", sizes(8820036, 8820000), 0, false, "ends at 0.68 s of the 100.00 s"},
	} {
		path := writeFile(t, "a.wav", c.b)
		r, err := OpenSource(path, "a.wav")
		if c.fails != "" {
			if err == nil || !strings.Contains(err.Error(), c.fails) {
				t.Errorf("%s: %v, want %s", c.name, err, c.fails)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if i := r.Info(); len(i.Notes) != c.notes || i.Unsure != c.unsure {
			t.Errorf("%s: %+v", c.name, i)
		}
		same(t, c.name, readAll(t, r, 1024), want)
		r.Close()
		theirs := run(t, "ffmpeg", "-v", "quiet", "-ignore_length", fmt.Sprint(map[bool]int{true: 1}[c.notes > 0 && c.name != "data counts the header"]), "-i", path, "-f", "s16le", "-")
		if !bytes.Equal(theirs, raw(want, 16, false)) {
			t.Logf("%s: ffmpeg reads %d of %d bytes", c.name, len(theirs), 60026)
		}
	}
}

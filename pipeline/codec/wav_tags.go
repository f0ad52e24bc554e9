package codec

import (
	"bytes"
	"encoding/binary"
	"io"
	"strings"
	"unicode"

	"github.com/go-audio/wav"
)

// Tags are what a file says about itself. Each is one line of at most 200
// characters.
type Tags struct {
	Title    string `json:"title,omitempty"`
	Artist   string `json:"artist,omitempty"`
	Engineer string `json:"engineer,omitempty"`
	Software string `json:"software,omitempty"`
	Created  string `json:"created,omitempty"`
	Comment  string `json:"comment,omitempty"`
}

const (
	maxListBytes = 64 << 10 // of one LIST chunk; larger ones hold pictures or scripts
	maxTagRunes  = 200
)

// readTags reads the INFO lists of a WAV file. go-audio/wav does the reading,
// but allocates whatever a size field says; so it is given a small file of
// its own in which every size has been proved.
func readTags(f io.ReaderAt, lists []byteSpan) (*Tags, error) {
	var proved bytes.Buffer
	proved.WriteString("RIFF\x00\x00\x00\x00WAVE")
	proved.WriteString("fmt \x10\x00\x00\x00\x01\x00\x01\x00\x44\xac\x00\x00\x88\x58\x01\x00\x02\x00\x10\x00")
	bare := proved.Len()
	for _, l := range lists {
		if l.size < 4 || l.size > maxListBytes || proved.Len() > 4*maxListBytes {
			continue
		}
		b := make([]byte, l.size)
		if err := readAt(f, b, l.off); err != nil {
			return nil, err
		}
		if string(b[:4]) == "INFO" {
			writeList(&proved, b[4:])
		}
	}
	if proved.Len() == bare {
		return nil, nil
	}
	d := wav.NewDecoder(bytes.NewReader(proved.Bytes()))
	d.ReadMetadata()
	if d.Metadata == nil {
		return nil, nil
	}
	t := Tags{
		Title:    oneLine(d.Metadata.Title),
		Artist:   oneLine(d.Metadata.Artist),
		Engineer: oneLine(d.Metadata.Engineer),
		Software: oneLine(d.Metadata.Software),
		Created:  oneLine(d.Metadata.CreationDate),
		Comment:  oneLine(d.Metadata.Comments),
	}
	if t == (Tags{}) {
		return nil, nil
	}
	return &t, nil
}

// writeList copies those entries of an INFO list whose size is true.
func writeList(out *bytes.Buffer, entries []byte) {
	var list bytes.Buffer
	list.WriteString("INFO")
	for len(entries) >= 8 {
		n := uint64(binary.LittleEndian.Uint32(entries[4:]))
		if n > uint64(len(entries)-8) {
			break
		}
		list.Write(entries[:8+n])
		entries = entries[8+n:]
		if n&1 == 1 {
			list.WriteByte(0)
			entries = entries[min(1, len(entries)):]
		}
	}
	out.WriteString("LIST")
	_ = binary.Write(out, binary.LittleEndian, uint32(list.Len())) // to memory: can't fail
	out.Write(list.Bytes())
}

// oneLine makes foreign text fit to stand in a report.
func oneLine(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	s = strings.Map(func(r rune) rune {
		if unicode.IsGraphic(r) {
			return r
		}
		return ' '
	}, s)
	s = strings.Join(strings.Fields(s), " ")
	if r := []rune(s); len(r) > maxTagRunes {
		s = string(r[:maxTagRunes])
	}
	return s
}

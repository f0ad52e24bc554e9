package delivery

import (
	"encoding/binary"
	"fmt"
	"unicode/utf16"
)

// id3 is an ID3v2.3.0 tag (M. Nilsson, 1999): a header of ten bytes and text
// frames. The composer's frame names who reads and the lead performer's who
// wrote, which is common practice for audiobooks; without an author the lead
// performer is who reads.
func id3(t Tags) []byte {
	lead := t.Author
	if lead == "" {
		lead = t.Reader
	}
	var frames []byte
	for _, f := range []struct{ id, text string }{
		{"TIT2", t.Title}, {"TALB", t.Album}, {"TPE1", lead}, {"TCOM", t.Reader}, {"TRCK", t.place()}, {"TLAN", t.Language}, {"TYER", year(t.Year)},
	} {
		if f.text == "" {
			continue
		}
		text := id3Text(f.text)
		frames = append(frames, f.id...)
		frames = binary.BigEndian.AppendUint32(frames, uint32(len(text))) // plain in v2.3
		frames = append(append(frames, 0, 0), text...)
	}
	n := len(frames)
	head := []byte{'I', 'D', '3', 3, 0, 0, byte(n >> 21 & 0x7f), byte(n >> 14 & 0x7f), byte(n >> 7 & 0x7f), byte(n & 0x7f)}
	return append(head, frames...)
}

// id3Text is ISO 8859-1 where that holds the text, else UTF-16 with its byte
// order mark, big end first: so that no text looks like the start of a frame.
func id3Text(s string) []byte {
	out := []byte{0}
	for _, r := range s {
		if r > 0xff {
			out = []byte{1, 0xfe, 0xff}
			for _, u := range utf16.Encode([]rune(s)) {
				out = binary.BigEndian.AppendUint16(out, u)
			}
			return out
		}
		out = append(out, byte(r))
	}
	return out
}

// year is a year in four digits, "" for none.
func year(y int) string {
	if y == 0 {
		return ""
	}
	return fmt.Sprintf("%04d", y)
}

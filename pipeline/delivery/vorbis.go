package delivery

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
)

// Types of FLAC metadata blocks (RFC 9639, section 8).
const (
	flacInfo    = 0
	flacComment = 4
	flacLast    = 0x80 // set on the last block's type
)

// comment copies a FLAC stream's metadata with t as its one Vorbis comment,
// right behind the stream's own data, and leaves r at the first audio frame.
func comment(w io.Writer, r *bufio.Reader, t Tags) error {
	var magic [4]byte
	if _, err := io.ReadFull(r, magic[:]); err != nil || string(magic[:]) != "fLaC" {
		return fmt.Errorf("what is stored is no FLAC file")
	}
	type block struct {
		kind byte
		data []byte
	}
	var blocks []block
	for last := false; !last; {
		var head [4]byte
		if _, err := io.ReadFull(r, head[:]); err != nil {
			return fmt.Errorf("its metadata is cut off: %w", err)
		}
		last = head[0]&flacLast != 0
		b := block{head[0] &^ flacLast, make([]byte, int(head[1])<<16|int(head[2])<<8|int(head[3]))}
		if _, err := io.ReadFull(r, b.data); err != nil {
			return fmt.Errorf("its metadata is cut off: %w", err)
		}
		if b.kind != flacComment {
			blocks = append(blocks, b)
		}
		if b.kind == flacInfo {
			blocks = append(blocks, block{flacComment, vorbis(t)})
		}
	}
	out := append([]byte{}, magic[:]...)
	for i, b := range blocks {
		if i == len(blocks)-1 {
			b.kind |= flacLast
		}
		n := len(b.data)
		out = append(append(out, b.kind, byte(n>>16), byte(n>>8), byte(n)), b.data...)
	}
	_, err := w.Write(out)
	return err
}

// vorbis is a Vorbis comment as FLAC holds it (Ogg Vorbis I, "Vorbis comment":
// ARTIST is, for an audio book, who wrote the text, PERFORMER who reads it;
// TRACKTOTAL and LANGUAGE are common practice).
func vorbis(t Tags) []byte {
	artist := t.Author
	if artist == "" {
		artist = t.Reader
	}
	out := lengthThen(nil, "chapterhouse")
	var fields []string
	for _, f := range []struct{ name, text string }{
		{"TITLE", t.Title}, {"ALBUM", t.Album}, {"ARTIST", artist}, {"PERFORMER", t.Reader}, {"TRACKNUMBER", fmt.Sprint(t.Track)},
		{"TRACKTOTAL", fmt.Sprint(t.Tracks)}, {"LANGUAGE", t.Language}, {"DATE", year(t.Year)},
	} {
		if f.text != "" {
			fields = append(fields, f.name+"="+f.text)
		}
	}
	out = binary.LittleEndian.AppendUint32(out, uint32(len(fields)))
	for _, f := range fields {
		out = lengthThen(out, f)
	}
	return out
}

func lengthThen(out []byte, s string) []byte {
	return append(binary.LittleEndian.AppendUint32(out, uint32(len(s))), s...)
}

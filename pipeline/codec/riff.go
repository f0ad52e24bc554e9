package codec

import (
	"encoding/binary"
	"io"
)

// unset is a size field that was never filled in, or that a ds64 chunk overrides.
const unset = 0xFFFFFFFF

const (
	maxChunks  = 1000     // a recording has a dozen; each costs a read
	maxTrailer = 64 << 10 // bytes of no chunk after the recording that may be left out
)

// A span of bytes in a file.
type byteSpan struct{ off, size int64 }

// riffLayout is where things lie in a RIFF, RF64 or BW64 file (EBU Tech 3306,
// ITU-R BS.2088). Every span is inside the file.
type riffLayout struct {
	format  byteSpan   // "fmt "
	data    byteSpan   // "data", cut to what is there
	claimed uint64     // bytes of data that the header claims; 0: never filled in
	lists   []byteSpan // "LIST"
	notes   []string
}

// walkRIFF finds the chunks of f. Sizes are compared as 64 bit numbers with
// what is left of the file, and every step moves on by 8 bytes at least.
func walkRIFF(f io.ReaderAt, size int64) (riffLayout, error) {
	var l riffLayout
	var head [12]byte
	if size < 12 {
		return l, noAudio()
	}
	if err := readAt(f, head[:], 0); err != nil {
		return l, err
	}
	large := string(head[:4]) != "RIFF"
	riffSize := uint64(binary.LittleEndian.Uint32(head[4:]))
	riffFits := riffSize+8 == uint64(size) || riffSize+9 == uint64(size)
	var ds64 map[string]uint64
	pos := int64(12)
	for count := 0; size-pos >= 8; count++ {
		if count == maxChunks {
			return l, faultf("has more than %d chunks: "+again, maxChunks)
		}
		if err := readAt(f, head[:8], pos); err != nil {
			return l, err
		}
		id, n := string(head[:4]), uint64(binary.LittleEndian.Uint32(head[4:]))
		room := uint64(size - pos - 8)
		seenData := l.data.off > 0
		if n == unset && ds64 != nil {
			if wide, ok := ds64[id]; ok {
				n = wide
			}
		}
		if id == "data" && !seenData {
			l.data = byteSpan{pos + 8, int64(room)}
			switch {
			case n == 0 && riffFits && !large:
				return l, noAudio()
			case n == 0 || n == unset:
				l.notes = append(l.notes, "The header was never finished, as a recorder leaves it that stopped by a crash: read to the end of the file.")
				return l, nil
			case n > room:
				l.claimed = n
				return l, nil
			}
			if !large && room-n > 1<<32-1 {
				// a 32 bit size that wrapped: the recording is longer by a multiple of 4 GiB
				n += (room - n) >> 32 << 32
				l.notes = append(l.notes, "The recording is longer than its header can say (4 GiB): its size was counted from the file.")
			}
			l.claimed = n
			l.data.size = int64(n)
		}
		if n > room || seenData && !isChunkID(id) {
			if !seenData {
				return l, faultf("has a chunk %q at byte %d that claims %d bytes where %d are left: "+again, id, pos, n, room)
			}
			break
		}
		body := byteSpan{pos + 8, int64(n)}
		switch {
		case id == "fmt " && l.format.off == 0:
			l.format = body
		case id == "LIST":
			l.lists = append(l.lists, body)
		case id == "ds64" && large && count == 0:
			var err error
			if ds64, err = readDS64(f, body); err != nil {
				return l, err
			}
		}
		pos = min(body.off+body.size+body.size&1, size)
	}
	if l.data.off == 0 {
		return l, noAudio()
	}
	return l, l.trailer(f, pos, size, riffFits || large, riffSize)
}

// trailer looks at what follows the last chunk. A little is left out with a
// note; much of it may be audio that the header does not count.
func (l *riffLayout) trailer(f io.ReaderAt, pos, size int64, riffFits bool, riffSize uint64) error {
	left := size - pos
	if left > maxTrailer {
		zero, err := allZero(f, pos, size)
		if err != nil {
			return err
		}
		if !zero {
			return faultf("has %d bytes after byte %d that its header does not count, perhaps audio: open it in an editor and export it again", left, pos)
		}
	}
	switch {
	case left > 0:
		l.notes = append(l.notes, "Bytes after the last chunk were left out.")
	case !riffFits:
		l.notes = append(l.notes, "The size in the file's header is wrong; every chunk is whole.")
	}
	return nil
}

// readDS64 reads the 64 bit sizes of an RF64 file: riffSize, dataSize,
// sampleCount, and a table of other chunks.
func readDS64(f io.ReaderAt, body byteSpan) (map[string]uint64, error) {
	if body.size < 28 {
		return nil, faultf("has a ds64 chunk of %d bytes where 28 are needed: "+again, body.size)
	}
	b := make([]byte, min(body.size, 28+12*maxChunks))
	if err := readAt(f, b, body.off); err != nil {
		return nil, err
	}
	sizes := map[string]uint64{"data": binary.LittleEndian.Uint64(b[8:])}
	for t := b[28:]; len(t) >= 12; t = t[12:] {
		if id := string(t[:4]); id != "data" {
			sizes[id] = binary.LittleEndian.Uint64(t[4:])
		}
	}
	return sizes, nil
}

// isChunkID tells whether id is four printable characters.
func isChunkID(id string) bool {
	for _, c := range []byte(id) {
		if c < ' ' || c > '~' {
			return false
		}
	}
	return true
}

func allZero(f io.ReaderAt, pos, end int64) (bool, error) {
	buf := make([]byte, 64<<10)
	for pos < end {
		b := buf[:min(int64(len(buf)), end-pos)]
		if err := readAt(f, b, pos); err != nil {
			return false, err
		}
		for _, c := range b {
			if c != 0 {
				return false, nil
			}
		}
		pos += int64(len(b))
	}
	return true, nil
}

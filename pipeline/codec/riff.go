package codec

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
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
	bext    byteSpan   // "bext", what a recorder wrote down
	cue     byteSpan   // "cue ", points in the recording
	notes   []string
	unsure  bool // the header claims more than is there: the end may be missing
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
			toEnd, err := l.sizeData(f, pos+8, size, n, riffSize, large)
			if err != nil || toEnd {
				return l, err
			}
			n = uint64(l.data.size)
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
		case id == "bext" && l.bext.off == 0:
			l.bext = body
		case id == "cue " && l.cue.off == 0:
			l.cue = body
		case id == "ds64" && large && count == 0:
			var err error
			if ds64, err = readDS64(f, body); err != nil {
				return l, err
			}
			riffSize = ds64["RIFF"]
		}
		pos = min(body.off+body.size, size)
		if n&1 == 1 {
			var err error
			if pos, err = l.pad(f, pos, size); err != nil {
				return l, err
			}
		}
	}
	if l.data.off == 0 {
		return l, noAudio()
	}
	return l, l.trailer(f, pos, size, fits(riffSize, size) || large)
}

// fits tells whether a file's own size field is true, with or without a last
// pad byte.
func fits(riffSize uint64, size int64) bool {
	return riffSize+8 == uint64(size) || riffSize+9 == uint64(size)
}

const (
	// A program that writes into a pipe can't come back to fill a size in, and
	// leaves the largest that others take for a signed number, or nearly.
	pipedFrom, pipedTo = 0x7FFFF000 - 64, 0x80000000
	// fewExtra is how many bytes a header may claim that aren't there before
	// they are taken for lost audio: writers that count their own header too.
	fewExtra = 64
)

// sizeData decides how much of the file from off on is the data chunk whose
// header claims n bytes. A claim beyond the file is believed where the whole
// header agrees on it: then the file was longer, and was cut. toEnd is true
// where nothing can follow the data.
func (l *riffLayout) sizeData(f io.ReaderAt, off, size int64, n, riffSize uint64, large bool) (toEnd bool, err error) {
	room := uint64(size - off)
	l.data = byteSpan{off, int64(room)}
	open := riffSize == 0 || riffSize == unset || riffSize == math.MaxUint64
	switch {
	case n == 0 && !large && !open:
		follow, err := chunksFollow(f, off, size)
		if err != nil {
			return true, err
		}
		if follow {
			return true, noAudio()
		}
		l.unfinished()
	case n == 0 || n == unset || n == math.MaxUint64:
		l.unfinished()
	case n <= room:
		if !large && room-n > 1<<32-1 {
			// a 32 bit size that wrapped: the recording is longer by a multiple of 4 GiB
			n += (room - n) >> 32 << 32
			l.notes = append(l.notes, "The recording is longer than its header can say (4 GiB): its size was counted from the file.")
		}
		l.claimed, l.data.size = n, int64(n)
		return false, nil
	case open || !large && n >= pipedFrom && n <= pipedTo:
		l.unfinished()
	case fits(riffSize, size) || n-room <= fewExtra:
		l.unsure = n-room > fewExtra
		l.notes = append(l.notes, fmt.Sprintf("The header claims %d bytes of audio where %d are left in the file: read to the end of the file.", n, room))
	default:
		l.claimed = n
	}
	return true, nil
}

// unfinished notes a header that was never filled in.
func (l *riffLayout) unfinished() {
	l.notes = append(l.notes, "The header was never finished, as a recorder leaves it that stopped by a crash: read to the end of the file.")
}

// chunksFollow tells whether whole chunks stand between pos and the end.
func chunksFollow(f io.ReaderAt, pos, size int64) (bool, error) {
	for count := 0; size-pos >= 8 && count < maxChunks; count++ {
		id, n, err := chunkHead(f, pos)
		if err != nil || !isChunkID(id) || n > size-pos-8 {
			return false, err
		}
		pos += 8 + n + n&1
	}
	return size-pos < 8, nil
}

// pad is where the chunk after one of odd size starts: a pad byte on, unless
// the writer left that out and the next chunk stands right here.
func (l *riffLayout) pad(f io.ReaderAt, pos, size int64) (int64, error) {
	const head = 8
	if size-pos < head+1 {
		return min(pos+1, size), nil
	}
	id, n, err := chunkHead(f, pos+1)
	if err != nil || isChunkID(id) && n <= size-pos-1-head {
		return pos + 1, err
	}
	id, n, err = chunkHead(f, pos)
	if err != nil || !isChunkID(id) || n > size-pos-head {
		return pos + 1, err
	}
	l.notes = append(l.notes, "A chunk of odd size lacks its pad byte: the next one was read from where it stands.")
	return pos, nil
}

// chunkHead reads a chunk's name and 32 bit size.
func chunkHead(f io.ReaderAt, pos int64) (id string, n int64, err error) {
	var b [8]byte
	if err := readAt(f, b[:], pos); err != nil {
		return "", 0, err
	}
	return string(b[:4]), int64(binary.LittleEndian.Uint32(b[4:])), nil
}

// trailer looks at what follows the last chunk. A little is left out with a
// note; much of it may be audio that the header does not count.
func (l *riffLayout) trailer(f io.ReaderAt, pos, size int64, riffFits bool) error {
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
	sizes := map[string]uint64{"RIFF": binary.LittleEndian.Uint64(b), "data": binary.LittleEndian.Uint64(b[8:])}
	for t := b[28:]; len(t) >= 12; t = t[12:] {
		if id := string(t[:4]); id != "data" && id != "RIFF" {
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

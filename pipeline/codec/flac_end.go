package codec

import (
	"errors"
	"io"
	"io/fs"

	"chapterhouse/dsp"
)

// maxEndTries bounds the work for a file made of nothing but headers. By
// chance a header stands in every 2^23 bytes or so.
const maxEndTries = 16

// lastFLACFrame looks for the last frame of a file from the end: the start of
// the last bytes that are a header of the stream's and whose CRC-16 is right
// up to the end of the file. It returns the number of samples up to the
// frame's end. It decodes nothing, so a whole file costs no second pass.
func lastFLACFrame(f io.ReaderAt, first, size int64, si streamInfo) (dsp.Frames, bool) {
	var tag [3]byte
	if size-first >= 128 && readAt(f, tag[:], size-128) == nil && string(tag[:]) == "TAG" {
		size -= 128 // ID3v1
	}
	tail := make([]byte, min(maxFLACFrame, size-first))
	if readAt(f, tail, size-int64(len(tail))) != nil {
		return 0, false
	}
	table := crc16Table()
	for i, tries := len(tail)-6, 0; i >= 0 && tries < maxEndTries; i-- {
		if tail[i] != 0xFF {
			continue
		}
		h, ok := parseFrameHeader(tail[i:], si)
		if !ok {
			continue
		}
		tries++
		if crc16(table, tail[i:]) != 0 {
			continue
		}
		at := h.number
		if !h.variable {
			at *= uint64(si.maxBlock)
		}
		return dsp.Frames(at) + dsp.Frames(h.block), true
	}
	return 0, false
}

// isDisk tells whether err comes from the machine and not from the bytes.
func isDisk(err error) bool {
	var p *fs.PathError
	return errors.As(err, &p)
}

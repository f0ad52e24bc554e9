package codec

import (
	"bytes"
	"errors"
	"io"
	"io/fs"

	"github.com/mewkiz/flac/frame"
	"github.com/mewkiz/flac/meta"

	"chapterhouse/dsp"
)

// maxFLACFrame is how far from the end of a file its last frame is looked for:
// one of 65535 samples, two channels, 24 bits, stored as they are.
const maxFLACFrame = 65535*2*4 + 64

// maxEndTries bounds the work for a file made of nothing but headers. By
// chance a header stands in every 2^23 bytes or so.
const maxEndTries = 16

// lastFLACFrame looks for the last frame of a file from the end: the start of
// the last bytes that are a header of the stream's format and whose CRC-16 is
// right up to the end of the file. It returns the number of samples up to the
// frame's end. It decodes nothing, so a whole file costs no second pass.
func lastFLACFrame(f io.ReaderAt, start, size int64, info *meta.StreamInfo) (dsp.Frames, bool) {
	var tag [3]byte
	if size >= 128 && readAt(f, tag[:], size-128) == nil && string(tag[:]) == "TAG" {
		size -= 128 // ID3v1
	}
	tail := make([]byte, min(maxFLACFrame, size-start))
	if len(tail) < 8 || readAt(f, tail, size-int64(len(tail))) != nil {
		return 0, false
	}
	for i, tries := len(tail)-8, 0; i >= 0 && tries < maxEndTries; i-- {
		if tail[i] != 0xFF || tail[i+1]&0xFE != 0xF8 {
			continue
		}
		h, ok := flacHeader(tail[i:])
		if !ok || !sameFormat(&h, info) {
			continue
		}
		tries++
		if crc16(0, tail[i:]) != 0 {
			continue
		}
		at := h.Num
		if h.HasFixedBlockSize {
			at *= uint64(info.BlockSizeMax)
		}
		return dsp.Frames(at) + dsp.Frames(h.BlockSize), true
	}
	return 0, false
}

func flacHeader(b []byte) (h frame.Header, ok bool) {
	defer func() {
		if recover() != nil {
			ok = false
		}
	}()
	f, err := frame.New(bytes.NewReader(b[:min(len(b), 32)]))
	if err != nil {
		return h, false
	}
	return f.Header, true
}

// crc16 goes on with a CRC-16 of polynomial x^16+x^15+x^2+1, most significant
// bit first, as FLAC frames end with it (RFC 9639 section 9.3).
func crc16(crc uint16, b []byte) uint16 {
	for _, c := range b {
		crc ^= uint16(c) << 8
		for range 8 {
			if crc&0x8000 != 0 {
				crc = crc<<1 ^ 0x8005
			} else {
				crc <<= 1
			}
		}
	}
	return crc
}

// isDisk tells whether err comes from the machine and not from the bytes.
func isDisk(err error) bool {
	var p *fs.PathError
	return errors.As(err, &p)
}

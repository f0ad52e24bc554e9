package codec

import (
	"encoding/binary"
	"io"
	"math/bits"

	"chapterhouse/dsp"
)

// streamInfo is the STREAMINFO block of a FLAC file (RFC 9639 section 8.2).
type streamInfo struct {
	maxBlock int // frames in a block
	rateHz   int
	channels int
	bits     int
	frames   dsp.Frames // 0: not known to the encoder
	md5      [16]byte   // zero: not known
	sheet    bool       // a block holds cue points: a cue sheet, or what was kept of a WAV's
}

// readStreamInfo walks the metadata blocks of the stream that starts at start
// and returns the offset of the first frame.
func readStreamInfo(f io.ReaderAt, start, size int64) (si streamInfo, first int64, err error) {
	const infoBytes = 34
	pos := start + 4 // "fLaC"
	for count := 0; ; count++ {
		var h [4]byte
		if pos+4 > size {
			return si, 0, noAudio()
		}
		if err := readAt(f, h[:], pos); err != nil {
			return si, 0, err
		}
		n := int64(h[1])<<16 | int64(h[2])<<8 | int64(h[3])
		if (count == 0) != (h[0]&0x7F == 0) || count == 0 && n != infoBytes || count == maxChunks {
			return si, 0, faultf("has a damaged FLAC header: " + again)
		}
		if count == 0 {
			var b [infoBytes]byte
			if pos+4+n > size {
				return si, 0, noAudio()
			}
			if err := readAt(f, b[:], pos+4); err != nil {
				return si, 0, err
			}
			si = parseStreamInfo(b)
		}
		sheet, err := holdsCues(f, h[0]&0x7F, pos+4, min(n, size-pos-4))
		if err != nil {
			return si, 0, err
		}
		si.sheet = si.sheet || sheet
		pos += 4 + n
		if h[0]&0x80 != 0 {
			return si, min(pos, size), nil
		}
	}
}

// holdsCues tells whether a metadata block of n bytes at pos holds more than
// one place: a CUESHEET (RFC 9639 section 8.7) of at least two tracks before the
// lead-out, or an APPLICATION block in which the flac program keeps a WAV's
// chunk of cue points.
func holdsCues(f io.ReaderAt, kind byte, pos, n int64) (bool, error) {
	const application, cuesheet, tracksAt = 2, 5, 395
	var b [8]byte
	switch {
	case kind == application && n >= 8:
		err := readAt(f, b[:], pos)
		return string(b[:]) == "riffcue ", err
	case kind == cuesheet && n > tracksAt:
		err := readAt(f, b[:1], pos+tracksAt)
		return b[0] > 2, err
	}
	return false, nil
}

func parseStreamInfo(b [34]byte) streamInfo {
	v := binary.BigEndian.Uint64(b[10:]) // rate 20 bits, channels 3, bits 5, frames 36
	return streamInfo{
		maxBlock: int(binary.BigEndian.Uint16(b[2:])),
		rateHz:   int(v >> 44),
		channels: int(v>>41&7) + 1,
		bits:     int(v>>36&31) + 1,
		frames:   dsp.Frames(v & (1<<36 - 1)),
		md5:      [16]byte(b[18:]),
	}
}

// frameHeader is the header of a FLAC frame (RFC 9639 section 9.1).
type frameHeader struct {
	variable bool   // number counts samples, else frames
	number   uint64 // of the first sample, or of the frame
	block    int    // frames of audio in it
	stereo   stereo
	bytes    int // of the header itself
}

// stereo is how two channels are coded.
type stereo byte

const (
	independent stereo = iota
	leftSide
	sideRight
	midSide
)

// parseFrameHeader reads the header at the start of b and holds it against
// the stream's: another number of channels, rate or sample size is no header,
// and neither is one with a wrong CRC-8.
func parseFrameHeader(b []byte, si streamInfo) (h frameHeader, ok bool) {
	if len(b) < 6 || b[0] != 0xFF || b[1]&0xFE != 0xF8 || b[3]&1 != 0 {
		return h, false
	}
	h.variable = b[1]&1 == 1
	switch c := int(b[3] >> 4); {
	case c < 8 && c+1 == si.channels:
	case c >= 8 && c <= 10 && si.channels == 2:
		h.stereo = stereo(c - 7)
	default:
		return h, false
	}
	if size := [...]int{si.bits, 8, 12, -1, 16, 20, 24, 32}[b[3]>>1&7]; size != si.bits {
		return h, false
	}
	n, number := codedNumber(b[4:])
	if n == 0 {
		return h, false
	}
	h.number = number
	at := 4 + n
	take := func(bytes int) (v int) {
		for range bytes {
			if at < len(b) {
				v = v<<8 | int(b[at])
			}
			at++
		}
		return v
	}
	switch c := int(b[2] >> 4); {
	case c == 0:
		return h, false
	case c == 1:
		h.block = 192
	case c <= 5:
		h.block = 576 << (c - 2)
	case c <= 7:
		h.block = take(c-5) + 1
	default:
		h.block = 256 << (c - 8)
	}
	rate := si.rateHz
	switch c := int(b[2] & 15); c {
	case 0:
	case 12:
		rate = 1000 * take(1)
	case 13:
		rate = take(2)
	case 14:
		rate = 10 * take(2)
	case 15:
		return h, false
	default:
		rate = [...]int{1: 88200, 176400, 192000, 8000, 16000, 22050, 24000, 32000, 44100, 48000, 96000}[c]
	}
	h.bytes = at + 1
	if rate != si.rateHz || h.bytes > len(b) || crc8(b[:at]) != b[at] {
		return h, false
	}
	return h, true
}

// codedNumber reads a frame or sample number, coded as UTF-8 is, up to 36
// bits; n is the number of bytes, 0 for none.
func codedNumber(b []byte) (n int, v uint64) {
	ones := bits.LeadingZeros8(^b[0])
	switch {
	case ones == 0:
		return 1, uint64(b[0])
	case ones == 1 || ones == 8 || len(b) < ones:
		return 0, 0
	}
	v = uint64(b[0]) & (0x7F >> ones)
	for _, c := range b[1:ones] {
		if c&0xC0 != 0x80 {
			return 0, 0
		}
		v = v<<6 | uint64(c&0x3F)
	}
	return ones, v
}

// crc8 is the CRC of polynomial x^8+x^2+x+1 that ends a frame header.
func crc8(b []byte) (crc byte) {
	for _, c := range b {
		crc ^= c
		for range 8 {
			crc = crc<<1 ^ 0x07*(crc>>7)
		}
	}
	return crc
}

// crc16Table is for crc16, eight bits at a step.
func crc16Table() *[256]uint16 {
	var t [256]uint16
	for i := range t {
		v := uint16(i) << 8
		for range 8 {
			v = v<<1 ^ 0x8005*(v>>15)
		}
		t[i] = v
	}
	return &t
}

// crc16 is the CRC of polynomial x^16+x^15+x^2+1, most significant bit first,
// that ends a frame (RFC 9639 section 9.3); 0 over a whole frame.
func crc16(table *[256]uint16, b []byte) (crc uint16) {
	for _, c := range b {
		crc = crc<<8 ^ table[byte(crc>>8)^c]
	}
	return crc
}

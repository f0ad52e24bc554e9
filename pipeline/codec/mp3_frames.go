package codec

import (
	"bufio"
	"encoding/binary"
	"io"

	"chapterhouse/dsp"
)

// mp3Header is the header of one MPEG Layer III frame (ISO/IEC 11172-3
// section 2.4.2.3; 13818-3 for the low sampling frequencies).
type mp3Header struct {
	rateHz   int
	kbps     int
	samples  int // of one channel: 1152, or 576 at the low sampling frequencies
	bytes    int // of the whole frame
	mode     mp3Mode
	version  byte // as the two bits stand in the header: 3 is MPEG-1, 2 MPEG-2, 0 MPEG-2.5
	crc      bool // two bytes of CRC follow the header
	sideInfo int  // bytes of side information
}

type mp3Mode byte

const (
	mp3Stereo mp3Mode = iota
	mp3Joint
	mp3Dual
	mp3Mono
)

func (m mp3Mode) String() string {
	return [...]string{"stereo", "joint stereo", "two channels", "mono"}[m]
}

func (h mp3Header) channels() int {
	if h.mode == mp3Mono {
		return 1
	}
	return 2
}

// parseMP3Header reads a frame header from the first 4 bytes of b. Layers I
// and II, free format and reserved values are no header here.
func parseMP3Header(b []byte) (h mp3Header, ok bool) {
	if len(b) < 4 || b[0] != 0xFF || b[1]&0xE0 != 0xE0 {
		return h, false
	}
	const layerIII = 1
	h.version = b[1] >> 3 & 3
	kbps, rate, padding := int(b[2]>>4), int(b[2]>>2&3), int(b[2]>>1&1)
	if h.version == 1 || b[1]>>1&3 != layerIII || kbps == 0 || kbps == 15 || rate == 3 || b[3]&3 == 2 {
		return h, false
	}
	h.crc = b[1]&1 == 0
	h.mode = mp3Mode(b[3] >> 6)
	h.rateHz = [...]int{44100, 48000, 32000}[rate]
	if h.version == 3 {
		h.kbps = [...]int{0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320}[kbps]
		h.samples, h.sideInfo = 1152, 32
		if h.mode == mp3Mono {
			h.sideInfo = 17
		}
	} else {
		h.kbps = [...]int{0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160}[kbps]
		h.samples, h.sideInfo = 576, 17
		if h.mode == mp3Mono {
			h.sideInfo = 9
		}
		h.rateHz /= 2
		if h.version == 0 {
			h.rateHz /= 2
		}
	}
	h.bytes = h.samples/8*h.kbps*1000/h.rateHz + padding
	return h, true
}

// maxMP3Frame is the longest frame there is: 320 kbps at 32 kHz, or 160 at 8 kHz.
const maxMP3Frame = 1441

// mp3Follows tells whether another frame of the same kind, or the end of the
// file, stands where the frame at off says.
func mp3Follows(f io.ReaderAt, off, size int64, h mp3Header) bool {
	next := off + int64(h.bytes)
	if next == size {
		return true
	}
	var b [4]byte
	if next+4 > size || readAt(f, b[:], next) != nil {
		return false
	}
	g, ok := parseMP3Header(b[:])
	return ok && g.version == h.version && g.rateHz == h.rateHz
}

// mp3Scan is what a walk over every frame of a file found.
type mp3Scan struct {
	first    mp3Header // of the first frame with audio
	tag      infoTag   // of the Info frame; zero without one
	hasTag   bool
	tagBytes int   // of the Info frame
	audio    int64 // offset of the first frame with audio
	end      int64 // offset after the last frame
	rest     int64 // bytes after end that are no tag
	frames   int64 // with audio
	musicCRC uint16
	uneven   error // the first frame of another bit rate or mode; nil: none
}

// decoded is the number of samples that a decoder gives, before the first
// source sample is found among them.
func (s mp3Scan) decoded() dsp.Frames { return dsp.Frames(s.frames) * dsp.Frames(s.first.samples) }

// Delays of Layer III: a decoder is 529 samples late, and an encoder that
// leaves no tag is taken to be 576 late, as LAME is.
const (
	mp3DecoderDelay = 529
	mp3UsualDelay   = 576
)

// trim is how many decoded samples stand before the first source sample, and
// how many source samples there are.
func (s mp3Scan) trim() (lead, n dsp.Frames) {
	delay, padding := mp3UsualDelay, mp3DecoderDelay
	if s.hasTag {
		delay, padding = s.tag.delay, s.tag.padding
	}
	lead = dsp.Frames(delay + mp3DecoderDelay)
	return lead, max(0, s.decoded()-lead-dsp.Frames(max(0, padding-mp3DecoderDelay)))
}

// scanMP3 walks the frames of f from its start to its end. Frames must follow
// each other without a gap and keep their sample rate.
func scanMP3(f io.ReaderAt, size int64) (s mp3Scan, err error) {
	pos, err := id3v2End(f, size)
	if err != nil {
		return s, err
	}
	in := bufio.NewReaderSize(io.NewSectionReader(f, pos, size-pos), 64<<10)
	table := crcARCTable()
	body := make([]byte, 0, maxMP3Frame)
	for first := true; ; first = false {
		head, err := in.Peek(4)
		if err != nil && err != io.EOF {
			return s, err
		}
		h, ok := parseMP3Header(head)
		if !ok {
			break
		}
		at := dsp.Frames(s.frames) * dsp.Frames(h.samples)
		if s.frames > 0 && (h.rateHz != s.first.rateHz || h.channels() != s.first.channels()) {
			return s, faultf("changes its sample rate or channels at %.2f s: "+again, at.Seconds(s.first.rateHz))
		}
		body = body[:h.bytes]
		if n, err := io.ReadFull(in, body); err == io.EOF || err == io.ErrUnexpectedEOF {
			if s.frames == 0 {
				return s, noAudio()
			}
			return s, faultf("ends inside a frame at %.2f s (%d of its %d bytes are there): "+again, at.Seconds(h.rateHz), n, h.bytes)
		} else if err != nil {
			return s, err
		}
		if first {
			if s.tag, s.hasTag = parseInfoTag(h, body); s.hasTag {
				s.tagBytes = h.bytes
				pos += int64(h.bytes)
				continue
			}
		}
		if s.frames == 0 {
			s.first, s.audio = h, pos
		}
		if s.uneven == nil && h.kbps != s.first.kbps {
			s.uneven = faultf("changes from %d to %d kbps at %.2f s: encode it again at a constant rate", s.first.kbps, h.kbps, at.Seconds(h.rateHz))
		}
		if s.uneven == nil && h.mode != s.first.mode {
			s.uneven = faultf("changes from %s to %s at %.2f s: encode it again", s.first.mode, h.mode, at.Seconds(h.rateHz))
		}
		s.musicCRC = crcARC(table, s.musicCRC, body)
		s.frames++
		pos += int64(h.bytes)
	}
	if s.frames == 0 {
		return s, noAudio()
	}
	s.end = pos
	s.rest, err = mp3Rest(f, pos, size)
	return s, err
}

// mp3Rest is the number of bytes from pos on that belong to no tag.
func mp3Rest(f io.ReaderAt, pos, size int64) (int64, error) {
	rest := size - pos
	if rest < 128 {
		return rest, nil
	}
	var b [3]byte
	if err := readAt(f, b[:], size-128); err != nil {
		return 0, err
	}
	if string(b[:]) == "TAG" { // ID3v1
		rest -= 128
	}
	return rest, nil
}

// infoTag is the Xing or Info tag in the first frame, with LAME's extension.
type infoTag struct {
	vbr      bool // "Xing" where CBR files have "Info"
	frames   int64
	bytes    int64 // from the Info frame to the end
	encoder  string
	delay    int // samples
	padding  int
	musicCRC uint16
	tagCRC   uint16 // as it stands in the tag
	gotCRC   uint16 // of the bytes before it
}

// parseInfoTag reads the tag from a whole frame. A frame without the encoder
// part has no delays and is no tag here.
func parseInfoTag(h mp3Header, frame []byte) (t infoTag, ok bool) {
	off := 4 + h.sideInfo
	if h.crc {
		off += 2
	}
	if len(frame) < off+8 {
		return t, false
	}
	b := frame[off:]
	switch string(b[:4]) {
	case "Info":
	case "Xing":
		t.vbr = true
	default:
		return t, false
	}
	flags := binary.BigEndian.Uint32(b[4:])
	b = b[8:]
	take := func(n int) []byte {
		if len(b) < n {
			b = nil
			return make([]byte, n)
		}
		v := b[:n]
		b = b[n:]
		return v
	}
	if flags&1 != 0 {
		t.frames = int64(binary.BigEndian.Uint32(take(4)))
	}
	if flags&2 != 0 {
		t.bytes = int64(binary.BigEndian.Uint32(take(4)))
	}
	if flags&4 != 0 {
		take(100) // table of contents
	}
	if flags&8 != 0 {
		take(4) // quality
	}
	if len(b) < 36 {
		return t, true // a tag, delays unknown and left at 0
	}
	ext := take(36)
	t.encoder = oneLine(string(ext[:9]))
	t.delay = int(ext[21])<<4 | int(ext[22])>>4
	t.padding = int(ext[22]&0xF)<<8 | int(ext[23])
	t.musicCRC = binary.BigEndian.Uint16(ext[32:])
	t.tagCRC = binary.BigEndian.Uint16(ext[34:])
	t.gotCRC = crcARC(crcARCTable(), 0, frame[:len(frame)-len(b)-2])
	return t, true
}

// crcARC goes on with a CRC-16 of polynomial x^16+x^15+x^2+1, least
// significant bit first, as LAME's tag holds two of.
func crcARC(table *[256]uint16, crc uint16, b []byte) uint16 {
	for _, c := range b {
		crc = crc>>8 ^ table[byte(crc)^c]
	}
	return crc
}

func crcARCTable() *[256]uint16 {
	var t [256]uint16
	for i := range t {
		v := uint16(i)
		for range 8 {
			v = v>>1 ^ 0xA001*(v&1)
		}
		t[i] = v
	}
	return &t
}

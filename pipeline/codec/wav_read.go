package codec

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// WAVE format tags.
const (
	tagPCM        = 1
	tagFloat      = 3
	tagExtensible = 0xFFFE
)

// guidTail ends the sub-format of every WAVE_FORMAT_EXTENSIBLE file whose
// first two bytes are a plain format tag.
const guidTail = "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"

// loudest is where a float stops being a sample: 2^16 times full scale, more
// than a file holds that was scaled as 16 bit integers by mistake.
const loudest = 65536

// wavStream reads the samples of a data chunk.
type wavStream struct {
	f        io.ReaderAt
	pos, end int64 // bytes
	rateHz   int
	bytes    int // of a sample
	frame    int // bytes of a frame
	samples  toFloats
	at       dsp.Frames
	buf      []byte // whole frames
}

func openWAV(f io.ReaderAt, size int64, lim limits) (Info, stream, error) {
	l, err := walkRIFF(f, size)
	if err != nil {
		return Info{}, nil, err
	}
	info, sampleBytes, err := wavFormat(f, l.format)
	if err != nil {
		return Info{}, nil, err
	}
	if err := lim.check(info); err != nil {
		return Info{}, nil, err
	}
	frameBytes := int64(sampleBytes * info.Channels)
	info.Frames = dsp.Frames(l.data.size / frameBytes)
	if l.claimed > uint64(l.data.size) {
		claimed := dsp.Frames(min(l.claimed/uint64(frameBytes), math.MaxInt64))
		return Info{}, nil, truncated(info.Frames, claimed, info.RateHz)
	}
	if info.Frames == 0 {
		return Info{}, nil, noAudio()
	}
	if err := lim.check(info); err != nil { // now with its length
		return Info{}, nil, err
	}
	info.Notes, info.Unsure = l.notes, l.unsure
	if l.data.size%frameBytes != 0 {
		info.Notes = append(info.Notes, "The last frame is not whole and was left out.")
	}
	if info.Tags, err = readTags(f, l.lists); err != nil {
		return Info{}, nil, err
	}
	if info.Bext, err = readBext(f, l.bext); err != nil {
		return Info{}, nil, err
	}
	cues, notes, err := readCues(f, l.cue, l.lists, info.Frames)
	if err != nil {
		return Info{}, nil, err
	}
	info.Cues, info.Notes = cues, append(info.Notes, notes...)
	const bufBytes = 64 << 10
	return info, &wavStream{
		f: f, pos: l.data.off, end: l.data.off + int64(info.Frames)*frameBytes,
		rateHz: info.RateHz, bytes: sampleBytes, frame: int(frameBytes),
		samples: fromPCM(sampleBytes, info.Float),
		buf:     make([]byte, bufBytes/frameBytes*frameBytes),
	}, nil
}

// wavFormat reads the fmt chunk and returns the bytes of one sample too.
func wavFormat(f io.ReaderAt, c byteSpan) (Info, int, error) {
	if c.size < 16 {
		return Info{}, 0, faultf("has no complete fmt chunk: " + again)
	}
	b := make([]byte, min(c.size, 40))
	if err := readAt(f, b, c.off); err != nil {
		return Info{}, 0, err
	}
	u16 := func(at int) int { return int(binary.LittleEndian.Uint16(b[at:])) }
	tag, channels, align, bits := u16(0), u16(2), u16(12), u16(14)
	rate := binary.LittleEndian.Uint32(b[4:])
	valid := bits
	if tag == tagExtensible {
		if len(b) < 40 || string(b[26:40]) != guidTail {
			return Info{}, 0, faultf("has a fmt chunk of an unknown sub-format: " + ownRate)
		}
		tag = u16(24)
		if v := u16(18); v > 0 && v <= bits {
			valid = v
		}
	}
	info := Info{
		Format: pipeline.WAV, RateHz: int(min(rate, math.MaxInt32)), Channels: channels,
		Bits: valid, Float: tag == tagFloat,
	}
	bytes := (bits + 7) / 8
	switch {
	case tag == tagPCM && bytes >= 1 && bytes <= 4:
	case tag == tagFloat && (bits == 32 || bits == 64):
	case tag == tagPCM || tag == tagFloat:
		return Info{}, 0, faultf("has samples of %d bits, which no recorder writes: "+again, bits)
	default:
		return Info{}, 0, faultf("is a WAV of compressed samples (%s): "+ownRate, compressed(tag))
	}
	if channels > 0 && align != bytes*channels {
		return Info{}, 0, faultf("has a fmt chunk that contradicts itself (%d channels of %d bits in frames of %d bytes): "+again, channels, bits, align)
	}
	return info, bytes, nil
}

// compressed names what WAV files hold beside plain samples.
func compressed(tag int) string {
	switch tag {
	case 2, 0x11:
		return "ADPCM"
	case 6:
		return "A-law"
	case 7:
		return "µ-law"
	case 0x50:
		return "MPEG Layer II"
	case 0x55:
		return "MP3"
	case 0xFF, 0x1610:
		return "AAC"
	case 0x160, 0x161, 0x162, 0x163:
		return "WMA"
	}
	return fmt.Sprintf("format %d", tag)
}

func (s *wavStream) close() error { return nil }

func (s *wavStream) skip(n dsp.Frames) error {
	n = min(n, dsp.Frames((s.end-s.pos)/int64(s.frame)))
	s.pos += int64(n) * int64(s.frame)
	s.at += n
	return nil
}

func (s *wavStream) read(ch [][]float64) (n int, err error) {
	for n < len(ch[0]) && s.pos < s.end {
		m := min(len(ch[0])-n, len(s.buf)/s.frame, int((s.end-s.pos)/int64(s.frame)))
		b := s.buf[:m*s.frame]
		if err := readAt(s.f, b, s.pos); err != nil {
			return n, err
		}
		for c, x := range ch {
			bad := s.samples(x[n:n+m], b[c*s.bytes:], s.frame)
			if bad >= 0 {
				at := (s.at + dsp.Frames(bad)).Seconds(s.rateHz)
				return n, faultf("holds %.3g where a sample should be, at %.2f s: "+again, x[n+bad], at)
			}
		}
		s.pos += int64(len(b))
		s.at += dsp.Frames(m)
		n += m
	}
	if n == 0 && len(ch[0]) > 0 {
		return 0, io.EOF
	}
	return n, nil
}

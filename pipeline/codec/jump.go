package codec

import (
	"chapterhouse/dsp"
)

// jumper is a stream that can go on from elsewhere without reading what lies between.
type jumper interface {
	jump(to dsp.Frames) (at dsp.Frames, err error)
}

// Jump moves to about frame to without reading what lies between, and returns
// the frame that the next Read begins with: in WAV the one asked for, in FLAC
// the start of a block near it. What is read after a jump is a sample of the
// file: its end is no proof that the file is whole. MP3 can't jump.
func (r *Reader) Jump(to dsp.Frames) (at dsp.Frames, err error) {
	j, ok := r.stream.(jumper)
	if !ok {
		return 0, r.named(faultf("is MP3, which is read from its start only: name a WAV or FLAC file"))
	}
	at, err = j.jump(max(0, min(to, r.info.Frames)))
	return at, r.named(err)
}

func (s *wavStream) jump(to dsp.Frames) (dsp.Frames, error) {
	s.pos += int64(to-s.at) * int64(s.frame)
	s.at = to
	return to, nil
}

// jump guesses a byte from the share of the frames, since blocks of speech are
// not far from equally long, and takes the first block behind it whose
// checksums are right.
func (s *flacStream) jump(to dsp.Frames) (dsp.Frames, error) {
	if s.si.frames <= 0 {
		return 0, faultf("does not say how long it is: " + again)
	}
	s.largest = min(maxFLACFrame, s.si.channels*s.si.maxBlock*(s.si.bits+1)/8+64)
	off := s.first + int64(float64(s.end-s.first)*(float64(to)/float64(s.si.frames)))
	off = max(s.first, min(off, s.end-2*int64(s.largest)))
	b := make([]byte, min(int64(3*s.largest), s.end-off)+8)
	have := len(b) - 8
	if err := readAt(s.f, b[:have], off); err != nil {
		return 0, err
	}
	for i := range have {
		if b[i] != 0xFF {
			continue
		}
		h, ok := parseFrameHeader(b[i:have], s.si)
		if !ok {
			continue
		}
		at := dsp.Frames(h.number)
		if !h.variable {
			at *= dsp.Frames(s.si.maxBlock) // all blocks but the last are of one size
		}
		if at >= s.si.frames || !s.blockAt(b[i:], h) {
			continue
		}
		s.pos, s.window, s.buf = off+int64(i), nil, nil
		s.decoded, s.count, s.sum, s.failed = at, h.number, nil, nil
		clear(s.pending)
		return at, nil
	}
	return 0, damaged(to, s.si.rateHz)
}

// blockAt tells whether a whole block stands at the start of b, which has 8
// bytes of padding after it.
func (s *flacStream) blockAt(b []byte, h frameHeader) bool {
	for c := range s.ch {
		if cap(s.ch[c]) < h.block {
			s.ch[c] = make([]int32, h.block)
		}
		s.ch[c] = s.ch[c][:h.block]
	}
	_, err := decodeFrame(b, h, s.si, s.crc, s.ch)
	return err == nil
}

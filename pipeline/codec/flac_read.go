package codec

import (
	"crypto/md5"
	"hash"
	"io"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// maxFLACFrame is the longest frame that is read: 65536 samples of two
// channels, 24 bits and the side's one more, stored as they are.
const maxFLACFrame = 65536*2*25/8 + 64

// flacStream decodes FLAC. Every frame is held against STREAMINFO, its CRCs
// and its number, and the decoded samples against the MD5 when the end is
// reached.
//
// It decodes by itself: mewkiz/flac, which encodes here and is compared with
// in tests, reads its bits through three readers, which costs three quarters
// of the time.
type flacStream struct {
	f        io.ReaderAt
	si       streamInfo
	first    int64      // where the first frame starts
	pos, end int64      // of what is not in the window yet
	largest  int        // bytes of a frame at most
	window   []byte     // undecoded bytes, 8 zeros after them
	buf      []byte     // what window lies in
	most     dsp.Frames // nothing is decoded past it
	decoded  dsp.Frames
	count    uint64    // of frames decoded, to notice one that is missing
	ch       [][]int32 // the block
	pending  [][]int32 // what of it is not read yet
	sum      hash.Hash // nil: the header holds no MD5
	packed   []byte    // samples of a block as MD5 wants them
	crc      *[256]uint16
	failed   error // what every later read returns
}

// openFLAC opens the stream that starts at start. Its length is proved by the
// last frame of the file; where that is not to be had, by decoding it all.
func openFLAC(f io.ReaderAt, start, size int64, lim limits) (Info, stream, error) {
	si, first, err := readStreamInfo(f, start, size)
	if err != nil {
		return Info{}, nil, err
	}
	info := Info{
		Format: pipeline.FLAC, RateHz: si.rateHz, Channels: si.channels,
		Bits: si.bits, Frames: si.frames, Sheet: si.sheet,
	}
	if err := lim.check(info); err != nil {
		return Info{}, nil, err
	}
	if info.Bits > 24 {
		return Info{}, nil, faultf("has %d bits a sample, and FLAC is read up to 24: ask for 24 bits", info.Bits)
	}
	s := newFLACStream(f, si, first, size)
	if end, ok := lastFLACFrame(f, first, size, si); !ok || end != si.frames {
		if s.most == 0 {
			s.most = dsp.Frames(lim.maxSeconds) * dsp.Frames(si.rateHz)
		}
		if info.Frames, err = s.countAll(); err != nil {
			return Info{}, nil, err
		}
		if si.frames == 0 {
			info.Notes = append(info.Notes, "The header does not say how long the recording is: its frames were counted.")
		} else {
			info.Notes = append(info.Notes, "Bytes after the last frame were left out.")
		}
		si.frames = info.Frames
		s = newFLACStream(f, si, first, size)
	}
	if info.Frames == 0 {
		return Info{}, nil, noAudio()
	}
	return info, s, nil
}

func newFLACStream(f io.ReaderAt, si streamInfo, first, size int64) *flacStream {
	s := &flacStream{
		f: f, si: si, first: first, pos: first, end: size, largest: maxFLACFrame, most: si.frames, crc: crc16Table(),
		ch: make([][]int32, si.channels), pending: make([][]int32, si.channels),
	}
	if si.md5 != [md5.Size]byte{} {
		s.sum = md5.New()
	}
	return s
}

// countAll decodes the whole stream. Its error is where the stream ends.
func (s *flacStream) countAll() (dsp.Frames, error) {
	for {
		switch err := s.next(); {
		case err == io.EOF:
			return s.decoded, nil
		case err != nil:
			return 0, err
		}
	}
}

func (s *flacStream) close() error { return nil }

func (s *flacStream) skip(n dsp.Frames) error {
	for n > 0 {
		if len(s.pending[0]) == 0 {
			if err := s.next(); err == io.EOF {
				return nil
			} else if err != nil {
				return err
			}
		}
		m := int(min(n, dsp.Frames(len(s.pending[0]))))
		s.drop(m)
		n -= dsp.Frames(m)
	}
	return nil
}

func (s *flacStream) read(ch [][]float64) (n int, err error) {
	scale := 1 / float64(int64(1)<<(s.si.bits-1))
	for n < len(ch[0]) {
		if len(s.pending[0]) == 0 {
			if err := s.next(); err == io.EOF && n > 0 {
				return n, nil
			} else if err != nil {
				return n, err
			}
		}
		m := min(len(ch[0])-n, len(s.pending[0]))
		for c, x := range ch {
			x := x[n : n+m]
			for i, v := range s.pending[c][:m] {
				x[i] = float64(v) * scale
			}
		}
		s.drop(m)
		n += m
	}
	return n, nil
}

// drop takes m frames off what is pending.
func (s *flacStream) drop(m int) {
	for c := range s.pending {
		s.pending[c] = s.pending[c][m:]
	}
}

// next decodes one frame into pending. io.EOF: the stream is whole, and its
// MD5 is right.
func (s *flacStream) next() error {
	if s.failed == nil {
		s.failed = s.decode()
	}
	return s.failed
}

func (s *flacStream) decode() error {
	if s.si.frames > 0 && s.decoded == s.si.frames {
		return s.verify()
	}
	if err := s.fill(); err != nil {
		return err
	}
	atEnd := s.pos == s.end
	have := s.window[:len(s.window)-8]
	if len(have) == 0 && s.si.frames == 0 {
		return s.verify()
	}
	h, ok := parseFrameHeader(have, s.si)
	if !ok {
		return s.broken(atEnd && len(have) < 16)
	}
	first := dsp.Frames(h.number)
	if !h.variable {
		first = s.decoded
		if h.number != s.count {
			return s.broken(false)
		}
	}
	if first != s.decoded {
		return s.broken(false)
	}
	if s.most > 0 && s.decoded+dsp.Frames(h.block) > s.most {
		return faultf("goes on past the %.2f s its header claims: "+again, s.most.Seconds(s.si.rateHz))
	}
	for c := range s.ch {
		if cap(s.ch[c]) < h.block {
			s.ch[c] = make([]int32, h.block)
		}
		s.ch[c] = s.ch[c][:h.block]
	}
	n, err := decodeFrame(s.window, h, s.si, s.crc, s.ch)
	if err != nil {
		return s.broken(atEnd && err == errShort)
	}
	s.window = s.window[n:]
	s.decoded += dsp.Frames(h.block)
	s.count++
	copy(s.pending, s.ch)
	s.hash()
	return nil
}

// broken is the sentence for a frame that can't be decoded. One that nothing
// follows may only be cut: then no other frame starts behind it.
func (s *flacStream) broken(last bool) error {
	if last && s.si.frames > 0 && !s.frameFollows() {
		return truncated(s.decoded, s.si.frames, s.si.rateHz)
	}
	return damaged(s.decoded, s.si.rateHz)
}

// frameFollows tells whether a frame header stands in the window after its start.
func (s *flacStream) frameFollows() bool {
	for i := 1; i < len(s.window)-8; i++ {
		if s.window[i] == 0xFF {
			if _, ok := parseFrameHeader(s.window[i:len(s.window)-8], s.si); ok {
				return true
			}
		}
	}
	return false
}

// fill sees to it that a whole frame is in the window, or all that is left.
func (s *flacStream) fill() error {
	if len(s.window)-8 >= s.largest || s.window != nil && s.pos == s.end {
		return nil
	}
	left := 0
	if s.buf == nil {
		s.buf = make([]byte, min(2*int64(s.largest), s.end-s.pos)+8)
	} else {
		left = copy(s.buf, s.window[:len(s.window)-8])
	}
	n := int(min(s.end-s.pos, int64(len(s.buf)-8-left)))
	if err := readAt(s.f, s.buf[left:left+n], s.pos); err != nil {
		return err
	}
	s.pos += int64(n)
	s.window = s.buf[:left+n+8]
	clear(s.window[left+n:])
	return nil
}

// hash adds a block to the running MD5: little-endian, interleaved, whole bytes.
func (s *flacStream) hash() {
	if s.sum == nil {
		return
	}
	bytes := (s.si.bits + 7) / 8
	stride := bytes * len(s.ch)
	if need := stride * len(s.ch[0]); cap(s.packed) < need {
		s.packed = make([]byte, need)
	}
	p := s.packed[:stride*len(s.ch[0])]
	for c, x := range s.ch {
		b := p[c*bytes:]
		switch bytes {
		case 1:
			for i, v := range x {
				b[i*stride] = byte(v)
			}
		case 2:
			for i, v := range x {
				b[i*stride], b[i*stride+1] = byte(v), byte(v>>8)
			}
		case 3:
			for i, v := range x {
				q := b[i*stride : i*stride+3]
				q[0], q[1], q[2] = byte(v), byte(v>>8), byte(v>>16)
			}
		}
	}
	s.sum.Write(p)
}

// verify compares the MD5 at the end of the stream.
func (s *flacStream) verify() error {
	if s.sum != nil && [md5.Size]byte(s.sum.Sum(nil)) != s.si.md5 {
		return faultf("decodes to other samples than were encoded (its MD5 is wrong): " + again)
	}
	return io.EOF
}

package codec

import (
	"bufio"
	"crypto/md5"
	"errors"
	"fmt"
	"hash"
	"io"

	"github.com/mewkiz/flac"
	"github.com/mewkiz/flac/frame"
	"github.com/mewkiz/flac/meta"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// flacStream decodes FLAC. Every frame is held against STREAMINFO, and the
// decoded samples against its MD5 when the end is reached.
type flacStream struct {
	s       *flac.Stream
	rateHz  int
	claimed dsp.Frames // 0: the header does not say
	most    dsp.Frames // no stream is decoded further
	decoded dsp.Frames
	frames  uint64    // frames decoded, to notice one that is missing
	pending [][]int32 // decoded and not read yet, one slice for each channel
	sum     hash.Hash // nil: the header holds no MD5
	packed  []byte    // samples of one frame as MD5 wants them
	failed  error     // what every later read returns
	scale   float64   // of one step of an integer
	info    *meta.StreamInfo
}

// openFLAC opens the stream that starts at start. Its length is proved by the
// last frame of the file; where that is not to be had, by decoding it all.
func openFLAC(f io.ReaderAt, start, size int64, lim limits) (Info, stream, error) {
	s, err := newFLACStream(f, start, size)
	if err != nil {
		return Info{}, nil, err
	}
	info := Info{
		Format: pipeline.FLAC, RateHz: s.rateHz, Channels: int(s.info.NChannels),
		Bits: int(s.info.BitsPerSample), Frames: s.claimed,
	}
	if err := lim.check(info); err != nil {
		return Info{}, nil, err
	}
	if info.Bits > 24 {
		return Info{}, nil, faultf("has %d bits a sample, and FLAC is read up to 24: ask for 24 bits", info.Bits)
	}
	if end, ok := lastFLACFrame(f, start, size, s.info); !ok || end != s.claimed {
		most := dsp.Frames(lim.maxSeconds) * dsp.Frames(info.RateHz)
		if info.Frames, err = countFLAC(f, start, size, most); err != nil {
			return Info{}, nil, err
		}
		if s.claimed == 0 {
			info.Notes = append(info.Notes, "The header does not say how long the recording is: its frames were counted.")
		} else {
			info.Notes = append(info.Notes, "Bytes after the last frame were left out.")
		}
		s.claimed = info.Frames
	}
	if info.Frames == 0 {
		return Info{}, nil, noAudio()
	}
	return info, s, nil
}

// newFLACStream reads the metadata. What can't be right in STREAMINFO is said here.
func newFLACStream(f io.ReaderAt, start, size int64) (s *flacStream, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = faultf("has a damaged FLAC header: " + again)
		}
	}()
	in := bufio.NewReaderSize(io.NewSectionReader(f, start, size-start), 64<<10)
	st, err := flac.New(in)
	switch {
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return nil, noAudio()
	case isDisk(err):
		return nil, err
	case err != nil:
		return nil, faultf("has a damaged FLAC header: " + again)
	}
	s = &flacStream{
		s: st, info: st.Info,
		rateHz:  int(st.Info.SampleRate),
		claimed: dsp.Frames(st.Info.NSamples),
		pending: make([][]int32, st.Info.NChannels),
		scale:   1 / float64(int64(1)<<(st.Info.BitsPerSample-1)),
	}
	s.most = s.claimed
	if st.Info.MD5sum != [md5.Size]byte{} {
		s.sum = md5.New()
	}
	return s, nil
}

// countFLAC decodes a whole stream. Its error is where the stream ends.
func countFLAC(f io.ReaderAt, start, size int64, most dsp.Frames) (dsp.Frames, error) {
	s, err := newFLACStream(f, start, size)
	if err != nil {
		return 0, err
	}
	if s.claimed == 0 {
		s.most = most
	}
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
			for i, v := range s.pending[c][:m] {
				x[n+i] = float64(v) * s.scale
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
	if s.failed != nil {
		return s.failed
	}
	err := s.decode()
	if err != nil {
		s.failed = err
	}
	return err
}

func (s *flacStream) decode() error {
	if s.claimed > 0 && s.decoded == s.claimed {
		return s.verify()
	}
	f, err := s.parse()
	switch {
	case err == io.EOF && s.claimed == 0:
		s.claimed = s.decoded
		return s.verify()
	case err == io.EOF, errors.Is(err, io.ErrUnexpectedEOF):
		if s.claimed == 0 {
			return damaged(s.decoded, s.rateHz)
		}
		return truncated(s.decoded, s.claimed, s.rateHz)
	case isDisk(err):
		return err
	case err != nil:
		return damaged(s.decoded, s.rateHz)
	}
	first := dsp.Frames(f.Num)
	if f.HasFixedBlockSize {
		first = s.decoded
		if f.Num != s.frames {
			first = -1
		}
	}
	n := f.Subframes[0].NSamples
	if n == 0 || first != s.decoded {
		return damaged(s.decoded, s.rateHz)
	}
	if s.decoded += dsp.Frames(n); s.decoded > s.most && s.most > 0 {
		return faultf("goes on past the %.2f s its header claims: "+again, s.most.Seconds(s.rateHz))
	}
	s.frames++
	for c, sub := range f.Subframes {
		s.pending[c] = sub.Samples
	}
	s.hash(f)
	return nil
}

// parse reads one frame. A frame that says nothing of its rate or bits takes
// those of STREAMINFO; one that says otherwise is damaged.
func (s *flacStream) parse() (f *frame.Frame, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("frame: %v", p)
		}
	}()
	if f, err = s.s.Next(); err != nil {
		return nil, err
	}
	if !sameFormat(&f.Header, s.info) {
		return nil, errors.New("another format than the stream's")
	}
	f.BitsPerSample = s.info.BitsPerSample
	if err := f.Parse(); err != nil {
		return nil, err
	}
	return f, nil
}

// sameFormat tells whether a frame fits its stream.
func sameFormat(h *frame.Header, info *meta.StreamInfo) bool {
	return h.Channels.Count() == int(info.NChannels) &&
		(h.SampleRate == 0 || h.SampleRate == info.SampleRate) &&
		(h.BitsPerSample == 0 || h.BitsPerSample == info.BitsPerSample)
}

// hash adds a frame to the running MD5: little-endian, interleaved, whole bytes.
func (s *flacStream) hash(f *frame.Frame) {
	if s.sum == nil {
		return
	}
	bytes := (int(s.info.BitsPerSample) + 7) / 8
	stride := bytes * len(s.pending)
	if need := stride * len(s.pending[0]); cap(s.packed) < need {
		s.packed = make([]byte, need)
	}
	p := s.packed[:stride*len(s.pending[0])]
	for c, x := range s.pending {
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
	if s.sum != nil && [md5.Size]byte(s.sum.Sum(nil)) != s.info.MD5sum {
		return faultf("decodes to other samples than were encoded (its MD5 is wrong): " + again)
	}
	return io.EOF
}

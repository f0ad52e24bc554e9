package codec

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"time"

	mp3 "github.com/hajimehoshi/go-mp3"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// mp3Stream reads 16 bit samples from a decoder and gives those that stand
// for source samples.
type mp3Stream struct {
	pcm      io.Reader
	stop     func()       // ends the decoder; nil: nothing to end
	ended    func() error // why the decoder ended early, if it was told to; nil: it can't be told
	channels int          // of the file
	width    int          // channels that the decoder gives
	lead     dsp.Frames   // decoded frames to drop first
	n, at    dsp.Frames
	rateHz   int
	buf      []byte
}

// openMP3 opens f, which lies at path. The lame program decodes it where it
// is installed, go-mp3 where it is not; they agree within one step of 16 bits.
// Not in joint stereo: go-mp3 v0.3.4 leaves lines of short blocks undivided,
// errors of 4 % of full scale were seen, so it is not used there.
func openMP3(ctx context.Context, f io.ReaderAt, size int64, path string, lim limits) (Info, stream, error) {
	s, info, err := scanForRead(f, size, lim)
	if err != nil {
		return Info{}, nil, err
	}
	if lame, err := exec.LookPath("lame"); err == nil && path != "" {
		st, err := lameDecoder(ctx, lame, path, s)
		return info, st, err
	}
	if s.first.mode == mp3Joint {
		return Info{}, nil, errors.New("joint stereo is decoded by the lame program, which is not on PATH: install the lame package")
	}
	return info, goDecoder(f, s), nil
}

func scanForRead(f io.ReaderAt, size int64, lim limits) (mp3Scan, Info, error) {
	s, err := scanMP3(f, size)
	if err != nil {
		return s, Info{}, err
	}
	_, n := s.trim()
	info := Info{Format: pipeline.MP3, RateHz: s.first.rateHz, Channels: s.first.channels(), Frames: n}
	if !s.hasTag {
		info.Notes = append(info.Notes, "It has no Info tag: an encoder delay of 576 samples is assumed, and its end is not trimmed.")
	}
	if s.rest > 0 {
		info.Notes = append(info.Notes, "Bytes after the last frame were left out.")
	}
	if n == 0 {
		return s, Info{}, noAudio()
	}
	return s, info, lim.check(info)
}

func newMP3Stream(s mp3Scan, width int) *mp3Stream {
	_, n := s.trim()
	return &mp3Stream{
		channels: s.first.channels(), width: width, n: n, rateHz: s.first.rateHz,
		buf: make([]byte, 4096*2*width),
	}
}

// goDecoder decodes with go-mp3. It is given the frames with audio only: it
// would decode the Info frame too. It always gives two channels.
func goDecoder(f io.ReaderAt, s mp3Scan) *mp3Stream {
	st := newMP3Stream(s, 2)
	st.lead, _ = s.trim()
	st.pcm = &goPCM{in: bufio.NewReaderSize(io.NewSectionReader(f, s.audio, s.end-s.audio), 64<<10)}
	return st
}

// goPCM makes go-mp3's decoder on the first read, so that its panics over
// damaged frames become errors in one place.
type goPCM struct {
	in  io.Reader
	dec *mp3.Decoder
}

func (p *goPCM) Read(b []byte) (n int, err error) {
	defer func() {
		if r := recover(); r != nil {
			n, err = 0, fmt.Errorf("decoder: %v", r)
		}
	}()
	if p.dec == nil {
		if p.dec, err = mp3.NewDecoder(p.in); err != nil {
			return 0, err
		}
	}
	return p.dec.Read(b)
}

// lameDecoder lets lame decode to its standard output, trimmed by the tag.
func lameDecoder(outer context.Context, lame, path string, s mp3Scan) (*mp3Stream, error) {
	ctx, cancel := context.WithCancel(outer)
	cmd := exec.CommandContext(ctx, lame, "--quiet", "--decode", "--mp3input", "-t", asArgument(path), "-")
	cmd.SysProcAttr = endsWithUs()
	cmd.WaitDelay = 5 * time.Second
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		cancel()
		return nil, fmt.Errorf("%s can't be started: %w", lame, err)
	}
	st := newMP3Stream(s, s.first.channels())
	st.pcm = bufio.NewReaderSize(out, 64<<10)
	if !s.hasTag { // lame takes off its decoder's delay only
		st.lead = mp3UsualDelay
	}
	st.ended = outer.Err
	st.stop = func() {
		cancel()
		_ = cmd.Wait() // killed or done: what counts was in the samples
	}
	return st, nil
}

func (s *mp3Stream) close() error {
	if s.stop != nil {
		s.stop()
		s.stop = nil
	}
	return nil
}

func (s *mp3Stream) skip(n dsp.Frames) error {
	ch := make([][]float64, s.channels)
	buf := make([]float64, 4096)
	for n > 0 {
		for c := range ch {
			ch[c] = buf[:min(n, dsp.Frames(len(buf)))]
		}
		m, err := s.read(ch)
		if err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
		n -= dsp.Frames(m)
	}
	return nil
}

func (s *mp3Stream) read(ch [][]float64) (n int, err error) {
	frame := 2 * s.width
	for s.lead > 0 {
		b := s.buf[:frame*int(min(s.lead, dsp.Frames(len(s.buf)/frame)))]
		if err := s.fill(b); err != nil {
			return 0, err
		}
		s.lead -= dsp.Frames(len(b) / frame)
	}
	for n < len(ch[0]) && s.at < s.n {
		m := int(min(dsp.Frames(len(ch[0])-n), dsp.Frames(len(s.buf)/frame), s.n-s.at))
		b := s.buf[:m*frame]
		if err := s.fill(b); err != nil {
			return n, err
		}
		for c, x := range ch {
			fromInt16(x[n:n+m], b[2*c:], frame)
		}
		n += m
		s.at += dsp.Frames(m)
	}
	if n == 0 && len(ch[0]) > 0 {
		return 0, io.EOF
	}
	return n, nil
}

func (s *mp3Stream) fill(b []byte) error {
	_, err := io.ReadFull(s.pcm, b)
	switch {
	case err == nil, isDisk(err):
		return err
	case s.ended != nil && s.ended() != nil:
		return s.ended()
	}
	return damaged(s.at, s.rateHz)
}

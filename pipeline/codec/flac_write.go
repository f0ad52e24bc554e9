package codec

import (
	"bufio"
	"io"
	"os"

	"github.com/mewkiz/flac"
	"github.com/mewkiz/flac/frame"
	"github.com/mewkiz/flac/meta"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// FLACEncoder names what determines a FLAC file's bytes. The number at its end
// is raised when the same samples give other bytes.
const FLACEncoder = "mewkiz/flac v1.0.14, predictor 1"

// flacBlock is the number of frames encoded together.
const flacBlock = 4096

// A FLACWriter writes a FLAC file: blocks of equal length, STREAMINFO with
// length and MD5 (RFC 9639). The same samples give the same bytes.
type FLACWriter struct {
	out     *seekBuffer
	enc     *flac.Encoder
	path    string
	rateHz  int
	bits    int
	block   [][]int32 // samples of the block that is being filled
	n       int       // frames in it
	other   []int32   // mid or side, for the predictor
	predict predictor
	frames  dsp.Frames
	clipped int64
}

// CreateFLAC makes the file at path, over one that is there. Bits are 16 or
// 24, channels 1 or 2.
func CreateFLAC(path string, rateHz, channels, bits int) (*FLACWriter, error) {
	if channels < 1 || channels > 2 || rateHz < 1 || rateHz > 655350 || bits != 16 && bits != 24 {
		return nil, pipeline.Errorf(pipeline.Bug, "write "+path, "no FLAC of %d Hz, %d channels, %d bits is written here", rateHz, channels, bits)
	}
	f, err := os.Create(path)
	if err != nil {
		return nil, writing(path, err)
	}
	w := &FLACWriter{
		out: &seekBuffer{bufio.NewWriterSize(f, 64<<10), f}, path: path,
		rateHz: rateHz, bits: bits, block: make([][]int32, channels),
	}
	w.other = make([]int32, flacBlock)
	for c := range w.block {
		w.block[c] = make([]int32, flacBlock)
	}
	w.enc, err = flac.NewEncoder(w.out, &meta.StreamInfo{
		BlockSizeMin: flacBlock, BlockSizeMax: flacBlock,
		SampleRate: uint32(rateHz), NChannels: uint8(channels), BitsPerSample: uint8(bits),
	})
	if err != nil {
		f.Close()
		return nil, writing(path, err)
	}
	w.enc.EnablePredictionAnalysis(false) // it tries less, and takes longer
	return w, nil
}

// Write appends frames, one slice of equal length for each channel, rounded
// to the nearest step, halves to even, and clipped.
func (w *FLACWriter) Write(ch [][]float64) error {
	if err := checkBlock(w.path, ch, len(w.block)); err != nil {
		return err
	}
	for from := 0; from < len(ch[0]); {
		m := min(len(ch[0])-from, flacBlock-w.n)
		for c, x := range ch {
			w.clipped += toGrid(w.block[c][w.n:w.n+m], x[from:from+m], w.bits)
		}
		w.n += m
		from += m
		if w.n == flacBlock {
			if err := w.flush(); err != nil {
				return err
			}
		}
	}
	return nil
}

// Clipped is the number of samples so far that lay outside of full scale.
func (w *FLACWriter) Clipped() int64 { return w.clipped }

// Frames is the number of frames written so far.
func (w *FLACWriter) Frames() dsp.Frames { return w.frames + dsp.Frames(w.n) }

// flush encodes the block.
func (w *FLACWriter) flush() error {
	f := &frame.Frame{Header: frame.Header{
		HasFixedBlockSize: true, BlockSize: uint16(w.n),
		SampleRate: uint32(w.rateHz), BitsPerSample: uint8(w.bits),
		Channels: frame.ChannelsMono,
	}}
	if len(w.block) == 2 {
		f.Channels = stereoMode(w.block[0][:w.n], w.block[1][:w.n])
	}
	for c, x := range w.block {
		coded, width := w.coded(c, f.Channels)
		f.Subframes = append(f.Subframes, &frame.Subframe{
			SubHeader: w.predict.find(coded, width), Samples: x[:w.n], NSamples: w.n,
		})
	}
	if err := w.enc.WriteFrame(f); err != nil {
		return w.broken(err)
	}
	w.frames += dsp.Frames(w.n)
	w.n = 0
	return nil
}

// broken is the disk's own error where there is one: the encoder's is dressed
// for a terminal, with colours and lines of its code.
func (w *FLACWriter) broken(err error) error {
	if own := w.out.Flush(); own != nil {
		err = own
	}
	return writing(w.path, err)
}

// coded is what stands for a channel in a frame, and its bits: the channel
// itself, or mid or side. The encoder makes the same of it once more.
func (w *FLACWriter) coded(channel int, mode frame.Channels) (x []int32, width int) {
	x = w.other[:w.n]
	switch {
	case mode == frame.ChannelsMidSide && channel == 0:
		for i := range x {
			x[i] = (w.block[0][i] + w.block[1][i]) >> 1
		}
		return x, w.bits
	case mode == frame.ChannelsMidSide || mode == frame.ChannelsLeftSide && channel == 1 || mode == frame.ChannelsSideRight && channel == 0:
		for i := range x {
			x[i] = w.block[0][i] - w.block[1][i]
		}
		return x, w.bits + 1
	}
	return w.block[channel][:w.n], w.bits
}

// stereoMode picks the pair of left, right, mid and side that a second
// difference makes smallest.
func stereoMode(left, right []int32) frame.Channels {
	var l, r, m, s int64
	for i := 2; i < len(left); i++ {
		dl := int64(left[i]) - 2*int64(left[i-1]) + int64(left[i-2])
		dr := int64(right[i]) - 2*int64(right[i-1]) + int64(right[i-2])
		l += abs(dl)
		r += abs(dr)
		m += abs((dl + dr) >> 1)
		s += abs(dl - dr)
	}
	best, mode := l+r, frame.ChannelsLR
	for _, c := range []struct {
		cost int64
		mode frame.Channels
	}{{l + s, frame.ChannelsLeftSide}, {s + r, frame.ChannelsSideRight}, {m + s, frame.ChannelsMidSide}} {
		if c.cost < best {
			best, mode = c.cost, c.mode
		}
	}
	return mode
}

func abs(v int64) int64 {
	if v < 0 {
		return -v
	}
	return v
}

// Close encodes what is left and completes STREAMINFO. A file whose Close
// failed is not a FLAC file.
func (w *FLACWriter) Close() error {
	err := w.finish()
	if e := w.out.file.Close(); err == nil && e != nil {
		err = writing(w.path, e)
	}
	return err
}

func (w *FLACWriter) finish() error {
	if w.n > 0 {
		if err := w.flush(); err != nil {
			return err
		}
	}
	if err := w.enc.Close(); err != nil {
		return w.broken(err)
	}
	if err := w.out.Flush(); err != nil {
		return writing(w.path, err)
	}
	// The encoder counts the last block too. RFC 9639 section 8.2 leaves it
	// out, and a minimum below 16 is not to be read.
	if _, err := w.out.file.WriteAt([]byte{flacBlock >> 8, flacBlock & 0xFF, flacBlock >> 8, flacBlock & 0xFF}, 8); err != nil {
		return writing(w.path, err)
	}
	return nil
}

// A seekBuffer buffers writes and can go back, which the encoder does once,
// at its end.
type seekBuffer struct {
	*bufio.Writer
	file *os.File
}

func (b *seekBuffer) Seek(offset int64, whence int) (int64, error) {
	if err := b.Flush(); err != nil {
		return 0, err
	}
	return b.file.Seek(offset, whence)
}

var _ io.WriteSeeker = (*seekBuffer)(nil)

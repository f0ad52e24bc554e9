// Package codec reads and writes audio files: WAV, FLAC and MP3. Samples are
// planar float64, full scale ±1; an integer n of b bits is n/2^(b-1).
//
// Files come from outside, so nothing in them is believed before it is
// proved: no buffer is sized from a header, every size is compared with the
// bytes that are there, and memory does not grow with the length of a file.
//
// The package does not resample, dither, mix channels or write tags.
package codec

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// Info is what a file is.
type Info struct {
	Format   pipeline.Format `json:"format"`
	RateHz   int             `json:"rate_hz"`
	Channels int             `json:"channels"`
	Bits     int             `json:"bits,omitempty"` // of a sample; 0 for mp3
	Float    bool            `json:"float,omitempty"`
	Frames   dsp.Frames      `json:"frames"`           // counted from bytes that are there; mp3: without the encoder's delay and padding
	Notes    []string        `json:"notes,omitempty"`  // oddities that did not keep the file from being read, one sentence each
	Unsure   bool            `json:"unsure,omitempty"` // by its notes the end of the recording may be missing
	Tags     *Tags           `json:"tags,omitempty"`   // what the file says about itself; nil: nothing
	Bext     *pipeline.Bext  `json:"bext,omitempty"`   // what the recorder wrote down; nil: nothing
	Cues     []pipeline.Cue  `json:"cues,omitempty"`   // points in the recording, in order, no two at one place
	Sheet    bool            `json:"sheet,omitempty"`  // it holds points that are not read: a FLAC's cue sheet
}

// Seconds is the length of the file.
func (i Info) Seconds() float64 { return i.Frames.Seconds(i.RateHz) }

// stream is one format's decoder. read fills ch as far as it can and returns
// io.EOF only with n = 0; both return errors that are sentences without the
// file's name.
type stream interface {
	read(ch [][]float64) (n int, err error)
	skip(n dsp.Frames) error
	close() error
}

// A Reader decodes one file from its start to its end.
type Reader struct {
	info   Info
	name   string // in errors
	stream stream
	file   io.Closer
}

// Info describes the file.
func (r *Reader) Info() Info { return r.info }

// Read decodes the next frames into ch, one slice of equal length for each
// channel, and returns how many. Fewer than len(ch[0]) come only before the
// end; at the end n is 0 and err is io.EOF. An error is a *pipeline.Error of
// kind Source where the file is at fault, and names the file and the second.
func (r *Reader) Read(ch [][]float64) (n int, err error) {
	if len(ch) != r.info.Channels {
		panic("codec: Read with another number of channels than the file has")
	}
	n, err = r.stream.read(ch)
	return n, r.named(err)
}

// Skip moves n frames on. In WAV it seeks; FLAC and MP3 are decoded and
// dropped. Skipping past the end leads to io.EOF from the next Read.
func (r *Reader) Skip(n dsp.Frames) error {
	if n < 0 {
		panic("codec: Skip can't go back")
	}
	return r.named(r.stream.skip(n))
}

// Close frees the file and ends whatever decodes it.
func (r *Reader) Close() error {
	return errors.Join(r.stream.close(), r.file.Close())
}

func (r *Reader) named(err error) error { return named(r.name, err) }

// Open opens a WAV, FLAC or MP3 file, recognised by its content. Errors are
// those of OpenSource; the limits are wider: 1 to 8 channels, 1 to 768 kHz,
// integers of 8 bits, MP3.
func Open(path string) (*Reader, error) {
	return open(context.Background(), path, filepath.Base(path), openLimits())
}

// OpenSource opens a chapter's source: WAV of 16, 24 or 32 bit integers or 32
// or 64 bit floats, or FLAC of 16 to 24 bits; 1 or 2 channels, 8 to 192 kHz,
// at most 24 hours. name is what the user calls the file. Anything else is a
// *pipeline.Error of kind Source, one sentence that names the file, the place
// and what to do.
func OpenSource(path, name string) (*Reader, error) {
	return open(context.Background(), path, name, sourceLimits())
}

// OpenMP3 is Open for an MP3 file that may be decoded by a program: it ends
// with ctx.
func OpenMP3(ctx context.Context, path string) (*Reader, error) {
	return open(ctx, path, filepath.Base(path), openLimits())
}

func open(ctx context.Context, path, name string, lim limits) (*Reader, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, named(name, err)
	}
	st, err := f.Stat()
	if err == nil && !st.Mode().IsRegular() {
		err = faultf("isn't a file: name the recording itself")
	}
	if err == nil {
		var r *Reader
		if r, err = openBytes(ctx, f, st.Size(), path, lim); err == nil {
			r.name, r.file = name, f
			return r, nil
		}
	}
	f.Close()
	return nil, named(name, err)
}

// openBytes opens what lies in f; path is only for a decoder that is another program.
func openBytes(ctx context.Context, f io.ReaderAt, size int64, path string, lim limits) (*Reader, error) {
	kind, start, err := sniff(f, size)
	if err != nil {
		return nil, err
	}
	r := &Reader{}
	switch {
	case kind == kindWAV:
		r.info, r.stream, err = openWAV(f, size, lim)
	case kind == kindFLAC:
		r.info, r.stream, err = openFLAC(f, start, size, lim)
	case kind == kindMP3 && lim.lossy:
		r.info, r.stream, err = openMP3(ctx, f, size, path, lim)
	default:
		err = kind.refusal(lim)
	}
	if err != nil {
		return nil, err
	}
	return r, nil
}

// limits are what a caller is ready to take.
type limits struct {
	minHz, maxHz int
	maxChannels  int
	minBits      int // of integers
	maxSeconds   int64
	lossy        bool
}

func openLimits() limits {
	return limits{minHz: 1000, maxHz: 768000, maxChannels: 8, minBits: 8, maxSeconds: 1000 * 3600, lossy: true}
}

func sourceLimits() limits {
	return limits{minHz: 8000, maxHz: 192000, maxChannels: 2, minBits: 16, maxSeconds: 24 * 3600}
}

// check compares a header with the limits before anything is decoded.
func (l limits) check(i Info) error {
	switch {
	case i.RateHz <= 0:
		return faultf("has a sample rate of 0 Hz in its header: " + again)
	case i.RateHz < l.minHz:
		return faultf("has a sample rate of %d Hz, and at least %d are needed: "+ownRate, i.RateHz, l.minHz)
	case i.RateHz > l.maxHz:
		return faultf("has a sample rate of %d Hz, and at most %d are taken: ask for 96000 Hz or less", i.RateHz, l.maxHz)
	case i.Channels < 1:
		return faultf("has no channel in its header: " + again)
	case i.Channels > l.maxChannels:
		return faultf("has %d channels, and at most %d are taken: ask for the narrator's channel alone", i.Channels, l.maxChannels)
	case i.Bits < l.minBits && i.Format != pipeline.MP3:
		return faultf("has %d bits a sample, and at least %d are needed: "+ownRate, i.Bits, l.minBits)
	case i.Frames > dsp.Frames(l.maxSeconds)*dsp.Frames(i.RateHz):
		return faultf("is %.1f h long, and at most %d h are taken: ask for one file a chapter", i.Seconds()/3600, l.maxSeconds/3600)
	}
	return nil
}

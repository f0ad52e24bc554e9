package codec

import (
	"encoding/binary"
	"errors"
	"io/fs"
	"math"
	"os"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// A WAVWriter writes a WAV file: plain PCM up to 16 bits, extensible above,
// float with a fact chunk. Past 4 GiB the file becomes RF64 (EBU Tech 3306):
// the JUNK chunk that every file starts with turns into its ds64.
type WAVWriter struct {
	f        *os.File
	path     string
	channels int
	bytes    int // of a sample
	bits     int
	float    bool
	factAt   int64 // offset of the fact chunk's count; 0: none
	dataAt   int64 // offset of the first sample
	written  int64 // bytes of samples
	clipped  int64
	buf      []byte // whole frames that are not in the file yet
	ints     []int32
	large    int64  // file size from which RF64 is written
	after    []byte // chunks behind the samples
}

// CreateWAV makes the file at path, over one that is there. Bits are 16, 24
// or 32; float 32 or 64.
func CreateWAV(path string, rateHz, channels, bits int, float bool) (*WAVWriter, error) {
	ok := channels >= 1 && channels <= 2 && rateHz > 0 && rateHz <= 768000
	if float {
		ok = ok && (bits == 32 || bits == 64)
	} else {
		ok = ok && (bits == 16 || bits == 24 || bits == 32)
	}
	if !ok {
		return nil, pipeline.Errorf(pipeline.Bug, "write "+path, "no WAV of %d Hz, %d channels, %d bits (float %t) is written here", rateHz, channels, bits, float)
	}
	f, err := os.Create(path)
	if err != nil {
		return nil, writing(path, err)
	}
	w := &WAVWriter{f: f, path: path, channels: channels, bytes: bits / 8, bits: bits, float: float, large: 1<<32 - 1}
	const bufBytes = 64 << 10
	frame := w.bytes * channels
	w.buf = make([]byte, 0, bufBytes/frame*frame)
	w.ints = make([]int32, bufBytes/frame)
	h := w.header(rateHz)
	w.dataAt = int64(len(h))
	if _, err := f.Write(h); err != nil {
		f.Close()
		return nil, writing(path, err)
	}
	return w, nil
}

// header is everything before the first sample; sizes are filled in by Close.
func (w *WAVWriter) header(rateHz int) []byte {
	le := binary.LittleEndian
	h := []byte("RIFF\x00\x00\x00\x00WAVEJUNK\x1c\x00\x00\x00")
	h = append(h, make([]byte, 28)...)
	tag, ext := tagPCM, 0
	switch {
	case w.float:
		tag, ext = tagFloat, 2
	case w.bits > 16:
		tag, ext = tagExtensible, 24
	}
	h = append(h, "fmt "...)
	h = le.AppendUint32(h, uint32(16+ext))
	h = le.AppendUint16(h, uint16(tag))
	h = le.AppendUint16(h, uint16(w.channels))
	h = le.AppendUint32(h, uint32(rateHz))
	h = le.AppendUint32(h, uint32(rateHz*w.channels*w.bytes))
	h = le.AppendUint16(h, uint16(w.channels*w.bytes))
	h = le.AppendUint16(h, uint16(w.bits))
	switch tag {
	case tagFloat:
		h = le.AppendUint16(h, 0)
		h = append(h, "fact\x04\x00\x00\x00\x00\x00\x00\x00"...)
		w.factAt = int64(len(h)) - 4
	case tagExtensible:
		mask := uint32(4) // front centre
		if w.channels == 2 {
			mask = 3 // front left and right
		}
		h = le.AppendUint16(h, 22)
		h = le.AppendUint16(h, uint16(w.bits))
		h = le.AppendUint32(h, mask)
		h = le.AppendUint16(h, tagPCM)
		h = append(h, guidTail...)
	}
	return append(h, "data\x00\x00\x00\x00"...)
}

// Write appends frames, one slice of equal length for each channel. Integers
// are rounded to the nearest, halves to even, and clipped.
func (w *WAVWriter) Write(ch [][]float64) error {
	if err := checkBlock(w.path, ch, w.channels); err != nil {
		return err
	}
	frame := w.bytes * w.channels
	for from := 0; from < len(ch[0]); {
		have := len(w.buf)
		m := min(len(ch[0])-from, (cap(w.buf)-have)/frame)
		w.buf = w.buf[:have+m*frame]
		for c, x := range ch {
			w.put(w.buf[have+c*w.bytes:], x[from:from+m], frame)
		}
		w.written += int64(m * frame)
		from += m
		if len(w.buf) == cap(w.buf) {
			if err := w.flush(); err != nil {
				return writing(w.path, err)
			}
		}
	}
	return nil
}

func (w *WAVWriter) flush() error {
	_, err := w.f.Write(w.buf)
	w.buf = w.buf[:0]
	return err
}

// put converts x into b, stride bytes from one to the next.
func (w *WAVWriter) put(b []byte, x []float64, stride int) {
	le := binary.LittleEndian
	if w.float {
		for i, v := range x {
			if w.bytes == 4 {
				le.PutUint32(b[i*stride:], math.Float32bits(float32(v)))
			} else {
				le.PutUint64(b[i*stride:], math.Float64bits(v))
			}
		}
		return
	}
	ints := w.ints[:len(x)]
	w.clipped += toGrid(ints, x, w.bits)
	switch w.bytes {
	case 2:
		for i, v := range ints {
			le.PutUint16(b[i*stride:], uint16(v))
		}
	case 3:
		for i, v := range ints {
			p := b[i*stride : i*stride+3]
			p[0], p[1], p[2] = byte(v), byte(v>>8), byte(v>>16)
		}
	case 4:
		for i, v := range ints {
			le.PutUint32(b[i*stride:], uint32(v))
		}
	}
}

// Clipped is the number of samples so far that lay outside of full scale.
func (w *WAVWriter) Clipped() int64 { return w.clipped }

// Frames is the number of frames written so far.
func (w *WAVWriter) Frames() dsp.Frames { return dsp.Frames(w.written / int64(w.bytes*w.channels)) }

// Close fills in the sizes. A file whose Close failed is not a WAV file.
func (w *WAVWriter) Close() error {
	err := w.finish()
	if e := w.f.Close(); err == nil {
		err = e
	}
	if err != nil {
		return writing(w.path, err)
	}
	return nil
}

func (w *WAVWriter) finish() error {
	if w.written%2 == 1 {
		w.buf = append(w.buf, 0)
	}
	if err := w.flush(); err != nil {
		return err
	}
	if _, err := w.f.Write(w.after); err != nil {
		return err
	}
	le := binary.LittleEndian
	riff := w.dataAt + w.written + w.written%2 + int64(len(w.after)) - 8
	frames := w.Frames()
	put32 := func(v int64, at int64) error {
		_, err := w.f.WriteAt(le.AppendUint32(nil, uint32(min(v, unset))), at)
		return err
	}
	if w.factAt > 0 {
		if err := put32(int64(frames), w.factAt); err != nil {
			return err
		}
	}
	if riff+8 <= w.large {
		if err := put32(riff, 4); err != nil {
			return err
		}
		return put32(w.written, w.dataAt-4)
	}
	h := le.AppendUint32([]byte("RF64"), unset)
	h = append(h, "WAVEds64\x1c\x00\x00\x00"...)
	h = le.AppendUint64(h, uint64(riff))
	h = le.AppendUint64(h, uint64(w.written))
	h = le.AppendUint64(h, uint64(frames))
	h = le.AppendUint32(h, 0)
	if _, err := w.f.WriteAt(h, 0); err != nil {
		return err
	}
	return put32(unset, w.dataAt-4)
}

// checkBlock finds what no file can hold before any of it is written.
func checkBlock(path string, ch [][]float64, channels int) error {
	if len(ch) != channels {
		panic("codec: Write with another number of channels than the file has")
	}
	for _, x := range ch {
		if len(x) != len(ch[0]) {
			panic("codec: Write with channels of different length")
		}
		if i := firstNaN(x); i >= 0 {
			return pipeline.Errorf(pipeline.Bug, "write "+path, "sample %d of the block is not a number", i)
		}
	}
	return nil
}

// writing is the error of a file that can't be written; its path stands once.
func writing(path string, err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		err = p.Err
	}
	return &pipeline.Error{Op: "write " + path, Kind: pipeline.Infra, Err: err}
}

package main

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
)

// A waveFile is a PCM file of 16 or 24 bits, its header filled in at the end
// (RIFF, 1991; RF64 is not needed: three hours of 24-bit mono
// at 48 kHz are 1.6 GB).
type waveFile struct {
	file     *os.File
	buf      *bufio.Writer
	rateHz   int
	bits     int
	channels int
	resolve  int // bits that the converter resolves; the rest are zero
	frames   int64
	run      int        // samples at full scale in a row, up to now
	clips    [][2]int64 // stretches of three and more of them
	row      []byte
}

func createWave(path string, rateHz, bits, channels, resolve int) (*waveFile, error) {
	f, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	w := &waveFile{file: f, buf: bufio.NewWriterSize(f, 1<<16), rateHz: rateHz, bits: bits, channels: channels, resolve: resolve}
	_, err = w.buf.Write(w.header())
	return w, err
}

func (w *waveFile) header() []byte {
	bytes := w.bits / 8 * w.channels
	data := uint32(w.frames * int64(bytes))
	h := []byte("RIFF....WAVEfmt ")
	binary.LittleEndian.PutUint32(h[4:], 36+data)
	h = binary.LittleEndian.AppendUint32(h, 16)
	h = binary.LittleEndian.AppendUint16(h, 1)
	h = binary.LittleEndian.AppendUint16(h, uint16(w.channels))
	h = binary.LittleEndian.AppendUint32(h, uint32(w.rateHz))
	h = binary.LittleEndian.AppendUint32(h, uint32(w.rateHz*bytes))
	h = binary.LittleEndian.AppendUint16(h, uint16(bytes))
	h = binary.LittleEndian.AppendUint16(h, uint16(w.bits))
	h = append(h, "data"...)
	return binary.LittleEndian.AppendUint32(h, data)
}

// write converts frames; what is over full scale clips, as converters do.
func (w *waveFile) write(x []float64) error {
	coarse := float64(int64(1) << (w.resolve - 1))
	shift := w.bits - w.resolve
	top := int32(1)<<(w.resolve-1) - 1
	w.row = w.row[:0]
	for _, v := range x {
		q := math.Floor(float64(v*coarse) + 0.5)
		s := int32(max(-float64(top)-1, min(float64(top), q)))
		w.clip(s == top || s == -top-1)
		s <<= shift
		for range w.channels {
			w.row = append(w.row, byte(s), byte(s>>8))
			if w.bits == 24 {
				w.row = append(w.row, byte(s>>16))
			}
		}
		w.frames++
	}
	_, err := w.buf.Write(w.row)
	return err
}

func (w *waveFile) clip(full bool) {
	if full {
		w.run++
		return
	}
	if w.run >= 3 {
		w.clips = append(w.clips, [2]int64{w.frames - int64(w.run), w.frames})
	}
	w.run = 0
}

func (w *waveFile) close() error {
	if w.frames*int64(w.bits/8*w.channels) > math.MaxUint32-36 {
		return fmt.Errorf("%s: over 4 GiB is more than a WAV file can say; ask for fewer minutes", w.file.Name())
	}
	if err := w.buf.Flush(); err != nil {
		return err
	}
	if _, err := w.file.Seek(0, io.SeekStart); err != nil {
		return err
	}
	if _, err := w.file.Write(w.header()); err != nil {
		return err
	}
	return w.file.Close()
}

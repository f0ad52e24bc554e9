package codec

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"runtime"
	"testing"

	"github.com/mewkiz/flac/frame"

	"chapterhouse/dsp"
)

// decodeBytes opens b and reads it to its end.
func decodeBytes(b []byte, lim limits) error {
	_, err := drain(b, lim)
	return err
}

// drain also checks what must hold for every file: no sample that is not a
// number, as many frames as Info says when there is no error, and an end: no
// walk over the file goes round and round.
func drain(b []byte, lim limits) (broken string, err error) {
	file := &counted{b: b}
	defer func() {
		if most := 64<<10 + 16*len(b); file.calls > most || file.bytes > 64*most {
			broken = fmt.Sprintf("%d reads of %d bytes in all for a file of %d", file.calls, file.bytes, len(b))
		}
	}()
	r, err := openBytes(context.Background(), file, int64(len(b)), "", lim)
	if err != nil {
		return "", err
	}
	defer r.stream.close()
	ch := make([][]float64, r.info.Channels)
	for c := range ch {
		ch[c] = make([]float64, 1000)
	}
	var n dsp.Frames
	for {
		m, err := r.Read(ch)
		n += dsp.Frames(m)
		for c := range ch {
			for _, x := range ch[c][:m] {
				if !(math.Abs(x) <= loudest) {
					return "a sample is no number", err
				}
			}
		}
		if err == io.EOF {
			if n != r.info.Frames {
				return "Info says another number of frames than are read", nil
			}
			return "", nil
		} else if err != nil {
			return "", err
		}
	}
}

// counted is a file that counts what is read of it, and ends what reads on
// for ever.
type counted struct {
	b            []byte
	calls, bytes int
}

func (c *counted) ReadAt(p []byte, off int64) (int, error) {
	n, err := bytes.NewReader(c.b).ReadAt(p, off)
	c.calls++
	if c.bytes += n; c.calls > 10<<20 {
		panic("a file is read for ever")
	}
	return n, err
}

// memoryOf is how much memory f asks for in all, given back or not.
func memoryOf(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// mostMemory bounds what reading a file of n bytes may ask for in all: blocks
// of a fixed size, and what decodes to many times its own size.
func mostMemory(n int) uint64 { return 4<<20 + 256*uint64(n) }

func fuzz(f *testing.F, seeds []hostileFile) {
	for _, h := range seeds {
		if len(h.b) < 16<<10 {
			f.Add(h.b)
		}
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 1<<16 {
			return
		}
		for _, lim := range []limits{sourceLimits(), openLimits()} {
			took := memoryOf(func() {
				if broken, _ := drain(b, lim); broken != "" {
					t.Error(broken)
				}
			})
			if took > mostMemory(len(b)) {
				t.Errorf("%d bytes of memory for a file of %d", took, len(b))
			}
		}
	})
}

func FuzzWAV(f *testing.F)  { fuzz(f, hostileWAVs()) }
func FuzzFLAC(f *testing.F) { fuzz(f, hostileFLACs(f)) }

// FuzzFLACFrame puts any bytes behind a frame header. What we decode, another
// decoder must decode alike once the checksum is put right.
func FuzzFLACFrame(f *testing.F) {
	for _, h := range hostileFLACs(f) {
		if len(h.b) > 60 {
			f.Add(byte(0), h.b[50:])
		}
	}
	table := crc16Table()
	f.Fuzz(func(t *testing.T, mode byte, body []byte) {
		if len(body) > 1<<15 {
			return
		}
		si := streamInfo{rateHz: 44100, channels: 1 + int(mode&1), bits: []int{8, 12, 16, 20, 24}[int(mode>>1)%5], maxBlock: 192}
		b := []byte{0xFF, 0xF8, 0x19, 0, 0, 0} // block of 192, 44.1 kHz, frame 0
		b[3] = map[int]byte{8: 1, 12: 2, 16: 4, 20: 5, 24: 6}[si.bits] << 1
		if si.channels == 2 {
			b[3] |= []byte{1, 8, 9, 10}[mode>>4&3] << 4
		}
		b[5] = crc8(b[:5])
		h, ok := parseFrameHeader(b, si)
		if !ok {
			t.Fatalf("% x is no header", b)
		}
		b = append(append(b, body...), make([]byte, 10)...)
		r := frameBits{b: b, pos: 48, end: uint(len(b)-10) * 8}
		ch := make([][]int32, si.channels)
		for c := range ch {
			ch[c] = make([]int32, h.block)
			width := uint(si.bits)
			if h.stereo == sideRight && c == 0 || (h.stereo == leftSide || h.stereo == midSide) && c == 1 {
				width++
			}
			if r.subframe(ch[c], width) != nil {
				return
			}
		}
		whole := b[:(r.pos+7)/8]
		whole = binary.BigEndian.AppendUint16(bytes.Clone(whole), crc16(table, whole))
		n, err := decodeFrame(append(bytes.Clone(whole), make([]byte, 8)...), h, si, table, ch)
		if err != nil || n != len(whole) {
			t.Fatalf("%d of %d bytes, %v", n, len(whole), err)
		}
		theirs, err := frame.Parse(bytes.NewReader(whole))
		if err != nil {
			t.Skip(err) // it does not know escape codes of 0 bits, among others
		}
		for c := range ch {
			for i, v := range theirs.Subframes[c].Samples {
				if ch[c][i] != v {
					t.Fatalf("channel %d sample %d is %d, another decoder has %d", c, i, ch[c][i], v)
				}
			}
		}
	})
}

// FuzzMP3Frames walks frames and decodes them without the lame program.
func FuzzMP3Frames(f *testing.F) { fuzz(f, hostileOthers()) }

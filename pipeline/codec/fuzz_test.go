package codec

import (
	"bytes"
	"context"
	"io"
	"math"
	"testing"

	"chapterhouse/dsp"
)

// decodeBytes opens b and reads it to its end.
func decodeBytes(b []byte, lim limits) error {
	_, err := drain(b, lim)
	return err
}

// drain also checks what must hold for every file: no sample that is not a
// number, and as many frames as Info says when there is no error.
func drain(b []byte, lim limits) (broken string, err error) {
	r, err := openBytes(context.Background(), bytes.NewReader(b), int64(len(b)), "", lim)
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
			if broken, _ := drain(b, lim); broken != "" {
				t.Error(broken)
			}
		}
	})
}

func FuzzWAV(f *testing.F)  { fuzz(f, hostileWAVs()) }
func FuzzFLAC(f *testing.F) { fuzz(f, hostileFLACs(f)) }

// FuzzMP3Frames walks frames and decodes them without the lame program.
func FuzzMP3Frames(f *testing.F) { fuzz(f, hostileOthers()) }

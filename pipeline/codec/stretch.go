package codec

import (
	"context"
	"errors"
	"io"
	"math"

	"chapterhouse/dsp"
)

// A Stretch is a piece of a file, seconds from its start.
type Stretch struct{ FromS, ToS float64 }

// Stretches reads a file once, up to where the last of some stretches ends, and
// returns them as the mean of all channels, cut off where the file ends. They may
// overlap and come in any order; all of them lie in memory.
func Stretches(ctx context.Context, path string, all []Stretch) (rateHz int, heard [][]float32, err error) {
	r, err := OpenMP3(ctx, path)
	if err != nil {
		return 0, nil, err
	}
	defer r.Close()
	rateHz, heard = r.Info().RateHz, make([][]float32, len(all))
	span := func(s Stretch) (from, to dsp.Frames) {
		from = dsp.FramesIn(max(0, s.FromS), rateHz)
		return from, from + dsp.FramesIn(s.ToS-max(0, s.FromS), rateHz)
	}
	const readFrames = 8192
	ch := make([][]float64, r.Info().Channels)
	for k := range ch {
		ch[k] = make([]float64, readFrames)
	}
	for at := dsp.Frames(0); ; {
		var left dsp.Frames // until the last stretch ends
		next := dsp.Frames(math.MaxInt64)
		for _, s := range all {
			if from, to := span(s); to > at {
				left, next = max(left, to-at), min(next, max(from, at))
			}
		}
		if left == 0 {
			return rateHz, heard, nil
		}
		if next > at {
			if err := r.Skip(next - at); err != nil {
				return rateHz, nil, err
			}
			at = next
		}
		n, err := r.Read(ch)
		for i, s := range all {
			from, to := span(s)
			for t := max(from, at); t < min(to, at+dsp.Frames(n)); t++ {
				var sum float64
				for _, one := range ch {
					sum += one[t-at]
				}
				heard[i] = append(heard[i], float32(sum/float64(len(ch))))
			}
		}
		at += dsp.Frames(n)
		switch {
		case errors.Is(err, io.EOF):
			return rateHz, heard, nil
		case err != nil:
			return rateHz, nil, err
		}
	}
}

package render

import (
	"context"
	"errors"
	"io"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
)

// Residual lays one finished file over another of the same rate and channels,
// late seconds further into it, and tells the gain that leaves least and how
// far what is left lies under the second file, dB: −Inf for nothing, NaN where
// one of them is silence. Where the shorter ends, the comparison does.
func Residual(ctx context.Context, was, is string, lateS float64) (gainDB, leftDB dsp.DB, err error) {
	a, err := codec.OpenMP3(ctx, was)
	if err != nil {
		return 0, 0, err
	}
	defer a.Close()
	b, err := codec.OpenMP3(ctx, is)
	if err != nil {
		return 0, 0, err
	}
	defer b.Close()
	if a.Info().RateHz != b.Info().RateHz || a.Info().Channels != b.Info().Channels {
		return 0, 0, pipeline.Errorf(pipeline.Bug, "compare", "files of two forms")
	}
	x, y := newFrames(a), newFrames(b)
	late := dsp.FramesIn(math.Abs(lateS), a.Info().RateHz)
	skipped := x
	if lateS > 0 {
		skipped = y
	}
	if err := skipped.skip(late); err != nil {
		return 0, 0, err
	}
	// Least squares: y = g·x leaves yy - xy²/xx, at g = xy/xx.
	var xx, xy, yy float64
	for ctx.Err() == nil {
		n, err := x.with(y)
		if err != nil {
			return 0, 0, err
		}
		if n == 0 {
			break
		}
		for c := range x.have {
			for i, v := range x.have[c][:n] {
				w := y.have[c][i]
				xx += float64(v * v)
				xy += float64(v * w)
				yy += float64(w * w)
			}
		}
		x.drop(n)
		y.drop(n)
	}
	if err := ctx.Err(); err != nil {
		return 0, 0, err
	}
	if xx == 0 || yy == 0 {
		return dsp.DB(math.NaN()), dsp.DB(math.NaN()), nil
	}
	left := max(0, yy-float64(xy/xx)*xy)
	if left < 1e-14*yy { // what is left of the sums is their rounding
		left = 0
	}
	return dsp.DB(dsp.Round2(20 * math.Log10(math.Abs(xy/xx)))), dsp.DB(dsp.Round2(10 * math.Log10(left/yy))), nil
}

// frames reads a file block by block.
type frames struct {
	from *codec.Reader
	bufs [][]float64
	have [][]float64 // what was read and not dropped, by channel
	over bool
}

func newFrames(r *codec.Reader) *frames {
	f := &frames{from: r, bufs: make([][]float64, r.Info().Channels), have: make([][]float64, r.Info().Channels)}
	for c := range f.bufs {
		f.bufs[c] = make([]float64, readBlock)
	}
	return f
}

// fill reads the next block when nothing is left of the last.
func (f *frames) fill() error {
	if len(f.have[0]) > 0 || f.over {
		return nil
	}
	n, err := f.from.Read(f.bufs)
	for c := range f.bufs {
		f.have[c] = f.bufs[c][:n]
	}
	if errors.Is(err, io.EOF) {
		f.over, err = true, nil
	}
	return err
}

// with fills both and tells how many frames they have in step, 0 at an end.
func (f *frames) with(g *frames) (int, error) {
	if err := errors.Join(f.fill(), g.fill()); err != nil {
		return 0, err
	}
	return min(len(f.have[0]), len(g.have[0])), nil
}

func (f *frames) drop(n int) {
	for c := range f.have {
		f.have[c] = f.have[c][n:]
	}
}

func (f *frames) skip(n dsp.Frames) error {
	for n > 0 {
		if err := f.fill(); err != nil {
			return err
		}
		step := min(int(n), len(f.have[0]))
		if step == 0 {
			return nil
		}
		f.drop(step)
		n -= dsp.Frames(step)
	}
	return nil
}

package reel

import (
	"context"
	"errors"
	"io"

	"chapterhouse/dsp"
	"chapterhouse/dsp/level"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
)

// bits is a reel's precision; it is dithered.
const bits = 16

// Cut writes parts to a FLAC of one channel. open brings a finished file to a
// path; it is asked once for each part, in order. All files have one rate.
func Cut(ctx context.Context, parts []Part, open func(ctx context.Context, p Part) (path string, err error), to string) error {
	c := &cutter{ctx: ctx, to: to}
	for i, p := range parts {
		path, err := open(ctx, p)
		if err == nil {
			err = c.part(p, path, i+1 < len(parts) && parts[i+1].joined)
		}
		if err != nil {
			return errors.Join(err, c.close())
		}
	}
	return c.close()
}

// cutter writes a reel.
type cutter struct {
	ctx    context.Context
	to     string
	out    *codec.FLACWriter
	rateHz int
	dither *level.Dither
	wrote  dsp.Frames
}

// part copies one stretch; joined: the next follows without a pause.
func (c *cutter) part(p Part, path string, joined bool) error {
	r, err := codec.OpenMP3(c.ctx, path)
	if err != nil {
		return err
	}
	defer r.Close()
	if err := c.begin(r.Info().RateHz, p.Blob); err != nil {
		return err
	}
	if c.wrote > 0 && !p.joined {
		if err := c.write(make([]float64, dsp.FramesIn(pauseS, c.rateHz))); err != nil {
			return err
		}
	}
	if err := r.Skip(dsp.FramesIn(p.FromS, c.rateHz)); err != nil {
		return err
	}
	x, err := mono(r, int(dsp.FramesIn(p.ToS-p.FromS, c.rateHz)))
	if err != nil {
		return err
	}
	ramp := min(int(dsp.FramesIn(fadeS, c.rateHz)), len(x)/2)
	for i := range ramp {
		g := (float64(i) + 0.5) / float64(ramp)
		if !p.joined {
			x[i] *= g
		}
		if !joined {
			x[len(x)-1-i] *= g
		}
	}
	return c.write(x)
}

// mono reads n frames, or those that are left, the mean of all channels.
func mono(r *codec.Reader, n int) ([]float64, error) {
	ch := make([][]float64, r.Info().Channels)
	for k := range ch {
		ch[k] = make([]float64, n)
	}
	have := 0
	for have < n {
		views := make([][]float64, len(ch))
		for k := range ch {
			views[k] = ch[k][have:]
		}
		got, err := r.Read(views)
		have += got
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
	}
	x := ch[0][:have]
	for _, other := range ch[1:] {
		for i := range x {
			x[i] += other[i]
		}
	}
	for i := range x {
		x[i] /= float64(len(ch))
	}
	return x, nil
}

func (c *cutter) begin(rateHz int, first pipeline.Digest) (err error) {
	if c.out != nil {
		if rateHz != c.rateHz {
			return pipeline.Errorf(pipeline.Bug, "reel", "files of %d and %d Hz", c.rateHz, rateHz)
		}
		return nil
	}
	c.rateHz = rateHz
	if c.dither, err = level.NewDither(bits, level.SeedOf(string(first))); err != nil {
		return err
	}
	c.out, err = codec.CreateFLAC(c.to, rateHz, 1, bits)
	return err
}

func (c *cutter) write(x []float64) error {
	c.dither.Process(x, c.wrote)
	c.wrote += dsp.Frames(len(x))
	return c.out.Write([][]float64{x})
}

func (c *cutter) close() error {
	if c.out == nil {
		return nil
	}
	return c.out.Close()
}

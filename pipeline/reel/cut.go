package reel

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/level"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
)

// bits is a reel's precision; it is dithered.
const bits = 16

// Cut writes parts to a FLAC of one channel. open brings a finished file to a
// path; it is asked once for each file, which is read once for all of its parts.
// All files have one rate.
func Cut(ctx context.Context, parts []Part, open func(ctx context.Context, p Part) (path string, err error), to string) error {
	c := &cutter{ctx: ctx, to: to}
	heard := make([][]float32, len(parts)) // three minutes, at most
	for i, p := range parts {
		if slices.ContainsFunc(parts[:i], func(before Part) bool { return before.Blob == p.Blob }) {
			continue
		}
		path, err := open(ctx, p)
		if err == nil {
			err = c.take(p.Blob, path, parts, heard)
		}
		if err != nil {
			return errors.Join(err, c.close())
		}
	}
	for i, p := range parts {
		if err := c.part(p, heard[i], i+1 < len(parts) && parts[i+1].joined); err != nil {
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

// take reads a file once, up to where its last part ends, and leaves each of
// its parts among those heard, as the mean of all channels.
func (c *cutter) take(blob pipeline.Digest, path string, parts []Part, heard [][]float32) error {
	r, err := codec.OpenMP3(c.ctx, path)
	if err != nil {
		return err
	}
	defer r.Close()
	if err := c.begin(r.Info().RateHz, blob); err != nil {
		return err
	}
	ch := make([][]float64, r.Info().Channels)
	for k := range ch {
		ch[k] = make([]float64, readFrames)
	}
	for at := dsp.Frames(0); ; {
		var left dsp.Frames // until the last part ends
		next := dsp.Frames(math.MaxInt64)
		for _, p := range parts {
			if from, to := c.span(p); p.Blob == blob && to > at {
				left, next = max(left, to-at), min(next, max(from, at))
			}
		}
		if left == 0 {
			return nil
		}
		if next > at {
			if err := r.Skip(next - at); err != nil {
				return err
			}
			at = next
		}
		n, err := r.Read(ch)
		for i, p := range parts {
			from, to := c.span(p)
			if p.Blob != blob {
				continue
			}
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
			return nil
		case err != nil:
			return err
		}
	}
}

// readFrames is how much is read at a time.
const readFrames = 8192

// span is where a part lies in its file.
func (c *cutter) span(p Part) (from, to dsp.Frames) {
	from = dsp.FramesIn(p.FromS, c.rateHz)
	return from, from + dsp.FramesIn(p.ToS-p.FromS, c.rateHz)
}

// part writes one stretch; joined: the next follows without a pause.
func (c *cutter) part(p Part, heard []float32, joined bool) error {
	if c.wrote > 0 && !p.joined {
		if err := c.write(make([]float64, dsp.FramesIn(pauseS, c.rateHz))); err != nil {
			return err
		}
	}
	x := make([]float64, len(heard))
	for i, v := range heard {
		x[i] = float64(v)
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

package reel

import (
	"context"
	"errors"
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

// take leaves each of a file's parts among those heard.
func (c *cutter) take(blob pipeline.Digest, path string, parts []Part, heard [][]float32) error {
	var of []int
	var all []codec.Stretch
	for i, p := range parts {
		if p.Blob == blob {
			of, all = append(of, i), append(all, codec.Stretch{FromS: p.FromS, ToS: p.ToS})
		}
	}
	rateHz, got, err := codec.Stretches(c.ctx, path, all)
	if err != nil {
		return err
	}
	for k, i := range of {
		heard[i] = got[k]
	}
	return c.begin(rateHz, blob)
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

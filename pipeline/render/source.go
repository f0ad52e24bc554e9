package render

import (
	"errors"
	"io"

	"chapterhouse/dsp"
	"chapterhouse/dsp/resample"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
)

// readBlock is how many frames are decoded at a time.
const readBlock = 8192

// intake opens a source and tells what it is.
func (b *bench) intake(r pipeline.IntakeRecipe) (pipeline.IntakeRecord, float64, error) {
	src, err := codec.OpenSource(InputPath(b.dir, r.Source), b.name(r.Source))
	if err != nil {
		return pipeline.IntakeRecord{}, 0, err
	}
	defer src.Close()
	i := src.Info()
	return pipeline.IntakeRecord{
		Format: i.Format, RateHz: i.RateHz, Channels: i.Channels, Bits: i.Bits,
		Float: i.Float, Frames: i.Frames, Notes: i.Notes,
		Unsure: i.Unsure, Bext: i.Bext, Cues: i.Cues, Sheet: i.Sheet,
	}, 0, nil
}

// rateOf is a source's own rate.
func (b *bench) rateOf(source pipeline.Digest) (int, error) {
	src, err := codec.OpenSource(InputPath(b.dir, source), b.name(source))
	if err != nil {
		return 0, err
	}
	defer src.Close()
	return src.Info().RateHz, nil
}

// channels streams the frames of a span, planar, at the source's own rate.
func (b *bench) channels(source pipeline.Digest, span pipeline.Span, each func(ch [][]float64) error) error {
	src, err := codec.OpenSource(InputPath(b.dir, source), b.name(source))
	if err != nil {
		return err
	}
	defer src.Close()
	if err := src.Skip(span.From); err != nil {
		return err
	}
	bufs := make([][]float64, src.Info().Channels)
	views := make([][]float64, len(bufs))
	for i := range bufs {
		bufs[i] = make([]float64, readBlock)
	}
	for left := span.Len(); left > 0; {
		if err := b.ctx.Err(); err != nil {
			return err
		}
		for i := range bufs {
			views[i] = bufs[i][:min(left, readBlock)]
		}
		n, err := src.Read(views)
		if n > 0 {
			for i := range views {
				views[i] = bufs[i][:n]
			}
			left -= dsp.Frames(n)
			if err := each(views); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) && left > 0 {
			return pipeline.Errorf(pipeline.Source, b.name(source), "ends %.1f s before the span that was asked for: export it again", left.Seconds(src.Info().RateHz))
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
	}
	return nil
}

// mono streams a cut's span folded to one channel at the work rate, in blocks
// of any size, and says progress between from and to.
func (b *bench) mono(cut pipeline.Cut, from, to float64, emit func(x []float64)) error {
	rs, err := resample.New(cut.SourceRateHz, cut.RateHz)
	if err != nil {
		return pipeline.Errorf(pipeline.Source, b.name(cut.Source), "%w", err)
	}
	folded := make([]float64, readBlock)
	var done dsp.Frames
	err = b.channels(cut.Source, cut.Span, func(ch [][]float64) error {
		x := folded[:len(ch[0])]
		fold(x, ch, cut.Fold)
		rs.Write(x, emit)
		done += dsp.Frames(len(x))
		b.progress(from + (to-from)*float64(done)/float64(cut.Span.Len()))
		return nil
	})
	if err != nil {
		return err
	}
	rs.Close(emit)
	return nil
}

// fold writes the one channel that f makes of ch to x.
func fold(x []float64, ch [][]float64, f pipeline.Fold) {
	switch {
	case f == pipeline.FoldRight && len(ch) > 1:
		copy(x, ch[1])
	case f == pipeline.FoldFlip && len(ch) > 1:
		for i := range x {
			x[i] = (ch[0][i] - ch[1][i]) / 2
		}
	default:
		copy(x, ch[0])
	}
}

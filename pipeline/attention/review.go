package attention

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
)

// Review writes, for each of the list's chapters that has a file, a copy of it
// into dir as WAV with a cue point at every place, called by what is there: an
// editor goes from one to the next. It returns the copies' names.
func (l List) Review(ctx context.Context, o pipeline.Outcome, bring func(context.Context, Recording) (string, error), dir string) (names []string, err error) {
	for _, ch := range l.Chapters {
		out := o.Chapters[ch.Index]
		file, spec, ok := clearest(out, o.Specs)
		if !ok {
			continue
		}
		path, err := bring(ctx, recordingOf(file))
		if err != nil {
			return names, err
		}
		name := fmt.Sprintf("%03d-review.wav", ch.Number)
		if err := review(ctx, path, filepath.Join(dir, name), ch.marks(out.Bodies(spec))); err != nil {
			return names, err
		}
		names = append(names, name)
	}
	return names, nil
}

// A mark is a cue point whose rate is not known yet.
type mark struct {
	atS   float64
	label string
}

// marks are a chapter's places as cue points; those at one place are one.
func (c Chapter) marks(bodies pipeline.Bodies) (out []mark) {
	at := map[float64]int{}
	for _, p := range c.Places {
		s, ok := bodies.InFile(p.Source, p.StartS)
		if !ok || !Placed(p.Finding) {
			continue
		}
		label := strings.TrimSuffix(string(p.Weight)+", "+p.Check+": "+p.Measured, ": ")
		if p.Words != "" {
			label += "; " + p.Words
		}
		if i, there := at[s]; there {
			out[i].label += "; " + label
			continue
		}
		at[s] = len(out)
		out = append(out, mark{s, label})
	}
	return out
}

// review copies a file's samples into a WAV with marks.
func review(ctx context.Context, from, to string, marks []mark) error {
	r, err := codec.OpenMP3(ctx, from)
	if err != nil {
		return err
	}
	defer r.Close()
	is := r.Info()
	bits := 16
	if is.Bits > 16 {
		bits = 24
	}
	w, err := codec.CreateWAV(to, is.RateHz, is.Channels, bits, false)
	if err != nil {
		return err
	}
	ch := make([][]float64, is.Channels)
	for k := range ch {
		ch[k] = make([]float64, 8192)
	}
	part := make([][]float64, len(ch))
	for err == nil {
		var n int
		if n, err = r.Read(ch); n > 0 {
			for k := range ch {
				part[k] = ch[k][:n]
			}
			if werr := w.Write(part); werr != nil {
				err = werr
			}
		}
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	var cues []pipeline.Cue
	for _, m := range marks {
		cues = append(cues, pipeline.Cue{At: min(dsp.FramesIn(m.atS, is.RateHz), max(0, w.Frames()-1)), Label: m.label})
	}
	w.Mark(cues)
	return errors.Join(err, w.Close())
}

package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/spec"
)

// A verified spec is one with what a peer reads in its delivered files.
type verified struct {
	pipeline.Spec
	files     int // delivered
	at, peaks []float64
}

// windows holds the delivered files of every built-in spec against what the
// spec asks, by a peer's reading instead of ours. theirs is ffmpeg's of a file.
func windows(ctx context.Context, t *table, out string, theirs map[string]reading) error {
	for _, name := range spec.Names() {
		s, _ := spec.Builtin(name)
		v := verified{Spec: s}
		files, err := audioIn(filepath.Join(out, name))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		v.files = len(files)
		for _, path := range files {
			r, ok := theirs[path]
			if !ok {
				continue // it could not read it: fewer than were delivered
			}
			at := r.rms
			switch s.Sound.Level.CountedAs {
			case pipeline.CountedOnce:
				at = r.loudness
			case pipeline.CountedTwice:
				if at, err = readDual(ctx, path); err != nil {
					return err
				}
			}
			v.at, v.peaks = append(v.at, at), append(v.peaks, r.truePeak)
		}
		v.fill(t)
	}
	return nil
}

// fill adds the rows: every file was delivered and read, and lies within.
func (v verified) fill(t *table) {
	level, limit := v.Sound.Level, float64(v.Sound.Peak.MaxDBTP)
	low, high, peak := math.Inf(1), math.Inf(-1), math.Inf(-1)
	inside, under := v.files > 0 && len(v.at) == v.files, v.files > 0 && len(v.peaks) == v.files
	for i, at := range v.at {
		low, high, peak = min(low, at), max(high, at), max(peak, v.peaks[i]) // NaN stays
		inside = inside && at >= level.Window[0] && at <= level.Window[1]
		under = under && v.peaks[i] <= limit
	}
	asked := fmt.Sprintf("%g to %g %s", level.Window[0], level.Window[1], level.Unit())
	if m := level.Meaning(); m != "" {
		asked += ", " + m
	}
	of := fmt.Sprintf("%d of %d files", len(v.at), v.files)
	t.hold("level by ffmpeg; "+v.Spec.Spec, fmt.Sprintf("%.2f to %.2f, %s", low, high, of), asked, inside)
	t.hold("true peak by ffmpeg; "+v.Spec.Spec, fmt.Sprintf("at most %.2f dBTP, %s", peak, of), fmt.Sprintf("at most %g dBTP", limit), under)
}

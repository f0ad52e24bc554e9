package main

import (
	"fmt"
	"math"
	"path/filepath"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline/spec"
)

// windows holds the delivered files of every built-in spec against what the
// spec asks, by a peer's reading instead of ours. theirs is ffmpeg's of a file.
func windows(t *table, out string, theirs map[string]reading) {
	for _, name := range spec.Names() {
		s, _ := spec.Builtin(name)
		level := s.Sound.Level
		files, outside, over := 0, 0, 0
		low, high, peak := math.Inf(1), math.Inf(-1), math.Inf(-1)
		for path, r := range theirs {
			if filepath.Dir(path) != filepath.Join(out, name) {
				continue
			}
			files++
			at := level.Of(levels(r, s.Sound.Files[0].Channels))
			low, high, peak = min(low, at), max(high, at), max(peak, r.truePeak)
			if !(at >= level.Window[0] && at <= level.Window[1]) {
				outside++
			}
			if !(r.truePeak <= float64(s.Sound.Peak.MaxDBTP)) {
				over++
			}
		}
		asked := fmt.Sprintf("%g to %g %s", level.Window[0], level.Window[1], level.Unit())
		if m := level.Meaning(); m != "" {
			asked += ", " + m
		}
		t.hold("level by ffmpeg; "+name, fmt.Sprintf("%.2f to %.2f, %d files", low, high, files), asked, files > 0 && outside == 0)
		t.hold("true peak by ffmpeg; "+name, fmt.Sprintf("at most %.2f dBTP", peak), fmt.Sprintf("at most %g dBTP", float64(s.Sound.Peak.MaxDBTP)), files > 0 && over == 0)
	}
}

// levels is a peer's reading as our meter would have it.
func levels(r reading, channels int) meter.Levels {
	l := meter.Levels{RMS: dsp.DBFS(r.rms), Integrated: dsp.LUFS(r.loudness)}
	if channels > 1 {
		l.Channels = channels
	}
	return l
}

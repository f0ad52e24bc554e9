package render

import (
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/level"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/resample"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/series"
)

// profileAsset measures every channel of what is no narration, at its own rate.
func (b *bench) profileAsset(r pipeline.ProfileRecipe) (rec pipeline.ProfileRecord, audioS float64, err error) {
	rate, err := b.rateOf(r.Source)
	if err != nil {
		return rec, 0, err
	}
	var m *meter.Meter
	var done dsp.Frames
	channels := 0
	err = b.channels(r.Source, r.Span, func(ch [][]float64) error {
		if m == nil {
			channels = len(ch)
			m = meter.New(rate, channels)
		}
		m.Write(ch...)
		done += dsp.Frames(len(ch[0]))
		b.progress(float64(done) / float64(r.Span.Len()))
		return nil
	})
	if err != nil {
		return rec, 0, err
	}
	if m == nil || m.Levels().SumSquares == 0 {
		return rec, 0, pipeline.Errorf(pipeline.Source, b.name(r.Source), "holds nothing but digital silence: is it the right file?")
	}
	rec.Levels, rec.Channels = m.Levels(), channels
	rec.Cut = pipeline.Cut{Source: r.Source, Span: r.Span, SourceRateHz: rate, RateHz: r.RateHz, Fold: pipeline.FoldNone}
	return rec, done.Seconds(rate), nil
}

// asset makes a file of what is no narration, as music: level and ceiling and
// nothing else. Every channel of the source stays one.
func (b *bench) asset(r pipeline.FileRecipe) (rec pipeline.FileRecord, files []pipeline.Output, audioS float64, err error) {
	cut := r.Parts[0].Cut
	path := b.temp("file." + string(r.Format.Format))
	var done mastered
	heard, err := b.settle(r, path, &rec, func(ceilingDBTP float64) (_ mastered, err error) {
		done, err = b.writeAsset(r, cut, kernel.FromDB(float64(r.TrimDB+rec.CorrectDB)), ceilingDBTP, path)
		rec.Limiter = done.use
		return done, err
	})
	if err != nil {
		return rec, nil, 0, err
	}
	lengthS := cut.Span.Len().Seconds(cut.SourceRateHz)
	body := series.Body{Source: cut.Source, SourceS: dsp.Round2(cut.Span.From.Seconds(cut.SourceRateHz)), LengthS: dsp.Round2(lengthS)}
	files, err = b.finish(path, heard, done.gain, []series.Body{body})
	return rec, files, lengthS, err
}

// writeAsset streams a cut through resampling, gain, one limiter over all
// channels and dither into a file.
func (b *bench) writeAsset(r pipeline.FileRecipe, cut pipeline.Cut, gain, ceilingDBTP float64, path string) (none mastered, err error) {
	f := r.Format
	limiter, err := level.NewLinked(level.LimiterSettings{CeilingDBTP: ceilingDBTP, ReleaseMS: limiterReleaseMS}, float64(f.RateHz), f.Channels)
	if err != nil {
		return none, pipeline.Errorf(pipeline.House, "spec", "%w", err)
	}
	lanes := make([]*assetLane, f.Channels)
	for c := range lanes {
		if lanes[c], err = newAssetLane(cut, f, c); err != nil {
			return none, err
		}
	}
	out, err := b.openOutput(r, path)
	if err != nil {
		return none, err
	}
	use := newStageUses([]pipeline.Resolved{{Stage: "limiter"}}, f.RateHz)
	line := newGainLine(f.RateHz)
	w := &assetWriter{lanes: lanes, limiter: limiter, use: use, line: line, out: out, gain: gain, skip: limiter.Latency()}
	var done dsp.Frames
	err = b.channels(cut.Source, cut.Span, func(ch [][]float64) error {
		if len(ch) > f.Channels {
			return pipeline.Errorf(pipeline.Bug, "asset", "%s has %d channels, the recipe %d", b.name(cut.Source), len(ch), f.Channels)
		}
		for c, lane := range lanes {
			lane.rs.Write(ch[min(c, len(ch)-1)], lane.take) // a spec's second channel is the first again
		}
		w.run()
		done += dsp.Frames(len(ch[0]))
		b.progress(0.8 * float64(done) / float64(cut.Span.Len()))
		return out.err
	})
	if err == nil {
		for _, lane := range lanes {
			lane.rs.Close(lane.take)
		}
		w.run()
		w.drain()
	}
	if closing := out.close(); err == nil {
		err = closing
	}
	if err != nil {
		return none, err
	}
	m := mastered{gain: line.trace(steps(w.wrote, f.RateHz)), speech: out.speech.Level(), frames: out.frames}
	if uses := addUses([]*stageUses{use}); len(uses) > 0 {
		m.use = uses[0]
	}
	return m, nil
}

// assetLane is one channel on its way.
type assetLane struct {
	rs     *resample.Resampler
	wait   []float64 // resampled, not yet a quantum
	block  []float64 // the quantum at hand
	dither *level.Dither
}

func newAssetLane(cut pipeline.Cut, f pipeline.FileFormat, channel int) (*assetLane, error) {
	rs, err := resample.New(cut.SourceRateHz, f.RateHz)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.House, "spec", "%w", err)
	}
	l := &assetLane{rs: rs, block: make([]float64, dsp.Quantum)}
	if dithered(f) {
		seed := level.SeedOf(string(pipeline.DigestOf(fmt.Appendf(nil, "%s %d", cut.Source, channel))))
		if l.dither, err = level.NewDither(f.Bits, seed); err != nil {
			return nil, pipeline.Errorf(pipeline.House, "spec", "%w", err)
		}
	}
	return l, nil
}

func (l *assetLane) take(y []float64) { l.wait = append(l.wait, y...) }

// assetWriter takes whole quanta from its lanes, which all have as many frames,
// to the file, and undoes the limiter's latency.
type assetWriter struct {
	lanes   []*assetLane
	limiter *level.Linked
	use     *stageUses
	line    *gainLine
	out     *output
	gain    float64
	at      dsp.Frames // frames limited
	wrote   dsp.Frames
	skip    int // frames still to drop in front
}

func (w *assetWriter) run() {
	for len(w.lanes[0].wait) >= dsp.Quantum {
		w.quantum(dsp.Quantum)
	}
}

// drain limits what is left, and zeros until the latency is made up for.
func (w *assetWriter) drain() {
	last := w.at + dsp.Frames(len(w.lanes[0].wait))
	for w.wrote < last {
		w.quantum(min(dsp.Quantum, len(w.lanes[0].wait)))
	}
}

// quantum limits the next n frames of each lane and writes what comes out.
func (w *assetWriter) quantum(n int) {
	blocks, views := make([][]float64, len(w.lanes)), make([][]float64, len(w.lanes))
	for c, l := range w.lanes {
		clear(l.block)
		for i, x := range l.wait[:n] {
			l.block[i] = x * w.gain
		}
		l.wait = append(l.wait[:0], l.wait[n:]...)
		blocks[c] = l.block
	}
	w.limiter.Process(blocks)
	at := w.at - dsp.Frames(w.limiter.Latency())
	w.use.quantum(at, 0, w.limiter.GainsDB())
	w.line.quantum(at, w.at+dsp.Frames(n), w.limiter.GainsDB())
	w.at += dsp.Frames(n)
	drop := min(w.skip, dsp.Quantum)
	w.skip -= drop
	for c, l := range w.lanes {
		views[c] = l.block[drop:]
		views[c] = views[c][:min(dsp.Frames(len(views[c])), w.at-w.wrote)]
		if l.dither != nil {
			l.dither.Process(views[c], w.wrote)
		}
	}
	w.wrote += dsp.Frames(len(views[0]))
	w.out.writeAll(views)
}

package render

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/level"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/series"
)

// A segment is one stretch of a file: laid room tone in memory, or the body of
// a part on disk.
type segment struct {
	tone []float64 // nil: body
	part int
	from dsp.Frames // of the part, body only
	n    dsp.Frames
}

// playlist is a chapter put together: head, bodies, pauses, tail, with every
// part's gain, before the limiter.
type playlist struct {
	parts    []pipeline.FilePart
	pass     *chainPass
	segments []segment
	trimDB   dsp.DB
	trim     float64 // with corrections
	frames   dsp.Frames
	rateHz   int
	bare     []int // parts without any room tone
}

// newPlaylist lays out a file.
func newPlaylist(r pipeline.FileRecipe, pass *chainPass) (*playlist, error) {
	p := &playlist{parts: r.Parts, pass: pass, trimDB: r.TrimDB, trim: kernel.FromDB(float64(r.TrimDB)), rateHz: r.Parts[0].Cut.RateHz}
	beds := make([]*bed, len(r.Parts))
	for i, part := range r.Parts {
		b, err := newBed(pass.spools[i], part.Cut, kernel.FromDB(float64(part.GainDB)))
		if err != nil {
			return nil, err
		}
		if len(b.windows) == 0 {
			p.bare = append(p.bare, i)
		}
		beds[i] = b
	}
	head, err := beds[0].before(int(dsp.FramesIn(r.HeadS, p.rateHz)))
	if err != nil {
		return nil, err
	}
	last := len(r.Parts) - 1
	tail, err := beds[last].after(int(dsp.FramesIn(r.TailS, p.rateHz)))
	if err != nil {
		return nil, err
	}
	fadeEnds(head, tail, p.rateHz)
	p.add(segment{tone: head})
	for i, part := range r.Parts {
		from, to := part.Cut.Speech.From, part.Cut.Speech.To
		if i > 0 && part.Join.PauseS > 0 {
			pause, err := joinPause(beds[i-1], beds[i], int(dsp.FramesIn(part.Join.PauseS, p.rateHz)))
			if err != nil {
				return nil, err
			}
			p.add(segment{tone: pause, part: i})
		}
		if i > 0 && part.Join.PauseS == 0 { // end to start: the recordings' own ends
			from = 0
		}
		if i < last && r.Parts[i+1].Join.PauseS == 0 {
			to = pass.spools[i].frames
		}
		p.add(segment{part: i, from: from, n: to - from})
	}
	p.add(segment{tone: tail, part: last})
	return p, nil
}

// joinPause is n frames of pause: the room after one part, then the room before
// the next, joined in the middle.
func joinPause(a, b *bed, n int) ([]float64, error) {
	join := min(int(dsp.FramesIn(joinS, a.cut.RateHz)), n-n/2)
	x, err := a.after(n/2 + join)
	if err != nil {
		return nil, err
	}
	y, err := b.before(n - n/2)
	if err != nil {
		return nil, err
	}
	return crossfade(x, y, join), nil
}

func (p *playlist) add(s segment) {
	if s.tone != nil {
		s.n = dsp.Frames(len(s.tone))
	}
	p.segments = append(p.segments, s)
	p.frames += s.n
}

// correct adds to the file's trim, in place of an earlier correction.
func (p *playlist) correct(db dsp.DB) { p.trim = kernel.FromDB(float64(p.trimDB + db)) }

// stream emits the whole file in blocks.
func (p *playlist) stream(emit func([]float64) error) error {
	buf := make([]float64, readBlock)
	for _, s := range p.segments {
		gain := p.trim
		if s.tone == nil {
			gain *= kernel.FromDB(float64(p.parts[s.part].GainDB))
		}
		for at := dsp.Frames(0); at < s.n; {
			x := buf[:min(readBlock, s.n-at)]
			if s.tone != nil {
				copy(x, s.tone[at:])
			} else if err := p.pass.spools[s.part].read(x, s.from+at); err != nil {
				return err
			}
			at += dsp.Frames(len(x))
			if err := emit(scale(x, gain)); err != nil {
				return err
			}
		}
	}
	return nil
}

// bodies are where the parts' recordings stand in the file.
func (p *playlist) bodies() (out []series.Body) {
	at := dsp.Frames(0)
	for _, s := range p.segments {
		if cut := p.parts[s.part].Cut; s.tone == nil {
			out = append(out, series.Body{
				Source: cut.Source, FileS: dsp.Round2(at.Seconds(p.rateHz)), LengthS: dsp.Round2(s.n.Seconds(p.rateHz)),
				SourceS: dsp.Round2(cut.Span.From.Seconds(cut.SourceRateHz) + s.from.Seconds(p.rateHz)),
			})
		}
		at += s.n
	}
	return out
}

// place is where a frame of the file lies in its source, seconds; ok is false
// in heads, tails and pauses.
func (p *playlist) place(frame dsp.Frames) (source pipeline.Digest, atS float64, ok bool) {
	for _, s := range p.segments {
		if frame < s.n {
			cut := p.parts[s.part].Cut
			return cut.Source, cut.Span.From.Seconds(cut.SourceRateHz) + (s.from + frame).Seconds(p.rateHz), s.tone == nil
		}
		frame -= s.n
	}
	return "", 0, false
}

// dithers walks a file's output frames in step with its segments, so that the
// dither of a body hangs on its source and place there alone.
type dithers struct {
	ends []dsp.Frames // of the segments, output frames
	each []*level.Dither
	at   []dsp.Frames // source sample of each segment's first frame
	now  dsp.Frames
	i    int
}

func newDithers(p *playlist, bits, rateHz int) (*dithers, error) {
	d := &dithers{}
	var end dsp.Frames
	for i, s := range p.segments {
		end += s.n
		cut := p.parts[s.part].Cut
		seed := level.SeedOf(string(cut.Source))
		at := dsp.FramesIn(cut.Span.From.Seconds(cut.SourceRateHz)+s.from.Seconds(p.rateHz), rateHz)
		if s.tone != nil { // laid tone has no place in the source: a stretch of its own
			at = dsp.Frames(i+1) << 40
		}
		one, err := level.NewDither(bits, seed)
		if err != nil {
			return nil, pipeline.Errorf(pipeline.House, "spec", "%w", err)
		}
		d.ends = append(d.ends, dsp.FramesIn(end.Seconds(p.rateHz), rateHz))
		d.each, d.at = append(d.each, one), append(d.at, at)
	}
	return d, nil
}

// process dithers the next block in place.
func (d *dithers) process(x []float64) {
	for len(x) > 0 {
		for d.i < len(d.ends)-1 && d.now >= d.ends[d.i] {
			d.i++
		}
		n := dsp.Frames(len(x))
		if d.i < len(d.ends)-1 {
			n = min(n, d.ends[d.i]-d.now)
		}
		start := dsp.Frames(0)
		if d.i > 0 {
			start = d.ends[d.i-1]
		}
		d.each[d.i].Process(x[:n], d.at[d.i]+d.now-start)
		d.now += n
		x = x[n:]
	}
}

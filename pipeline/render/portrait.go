package render

import (
	"errors"
	"io"
	"math"
	"os"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/codec"
	"chapterhouse/pipeline/series"
)

const (
	opensS, endsS = 15.0, 5.0 // what a listener hears beside the file before or after
	spotBlockS    = 0.5
	spotBlocks    = 6 // 3 s, as short-term loudness has
	spotSpeech    = 5 // of them that have to be speech: a breath between phrases is no reason to pass a place over
	// sharpFromHz to sharpToHz is where esses are and what makes a voice sharp
	// (common practice).
	sharpFromHz, sharpToHz = 5000.0, 10000.0
)

// decoded streams a finished file as a listener would decode it.
func (b *bench) decoded(path string, begin func(codec.Info), each func(ch [][]float64) error) error {
	src, err := codec.OpenMP3(b.ctx, path)
	if err != nil {
		return pipeline.Errorf(pipeline.Bug, "read back", "%w", err)
	}
	defer src.Close()
	begin(src.Info())
	bufs := make([][]float64, src.Info().Channels)
	for i := range bufs {
		bufs[i] = make([]float64, readBlock)
	}
	views := make([][]float64, len(bufs))
	for {
		n, err := src.Read(bufs)
		if n > 0 {
			for i := range bufs {
				views[i] = bufs[i][:n]
			}
			if err := each(views); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return pipeline.Errorf(pipeline.Bug, "read back", "%w", err)
		}
	}
}

// A portrait is what is heard of a finished file beside its levels: how it begins
// and ends, where it is the most of something, and its pictures. What counts as
// spoken hangs on the level that the file was made with, so that one decode
// serves all.
type portrait struct {
	rateHz             int
	wave               *outline
	all, opens, ends   *spoken
	spots              *spotter
	at, opened, ending dsp.Frames
	mono               []float64
}

func newPortrait(rateHz int, made mastered) *portrait {
	from := float64(made.speech) - spokenDB
	return &portrait{
		rateHz: rateHz, wave: newOutline(rateHz),
		all: newSpoken(from), opens: newSpoken(from), ends: newSpoken(from), spots: newSpotter(rateHz, from),
		opened: dsp.FramesIn(opensS, rateHz), ending: made.frames - dsp.FramesIn(endsS, rateHz),
	}
}

// write takes the next block of every channel.
func (p *portrait) write(ch [][]float64) {
	p.mono = mix(p.mono, ch)
	n := dsp.Frames(len(p.mono))
	p.wave.write(p.mono)
	p.all.write(p.mono)
	p.opens.write(p.mono[:max(0, min(n, p.opened-p.at))])
	p.ends.write(p.mono[max(0, min(n, p.ending-p.at)):])
	p.spots.write(p.mono)
	p.at += n
}

// fill notes what was heard.
func (p *portrait) fill(rec *pipeline.FileRecord) {
	rec.Opens, rec.Ends = edgeSound(p.opens, p.rateHz), edgeSound(p.ends, p.rateHz)
	rec.Loudest, rec.Quietest, rec.Sharpest = p.spots.loudest, p.spots.quietest, p.spots.sharpest
}

// draw is the file's pictures.
func (p *portrait) draw(limiter series.Trace, bodies []series.Body) ([]byte, error) {
	return series.File{Wave: p.wave.trace(), Limiter: limiter, Spectrum: p.all.bands(p.rateHz), Bodies: bodies}.Encode()
}

func edgeSound(s *spoken, rateHz int) pipeline.EdgeSound {
	if s.blocks == 0 {
		return pipeline.EdgeSound{}
	}
	return pipeline.EdgeSound{RMS: s.rms(), SpeechS: s.seconds(rateHz), Spectrum: s.bands(rateHz)}
}

// spotter finds the 3 s of speech that are loudest, quietest and sharpest.
type spotter struct {
	fromDB                      float64
	block                       []float64
	weigh, sharp                *kernel.Cascade
	scratch                     []float64
	last                        [spotBlocks]spotBlock // a ring
	n                           int
	loudest, quietest, sharpest pipeline.Spot
	found                       bool
}

// spotBlock is half a second's mean squares.
type spotBlock struct {
	speech              bool
	plain, weighted, in float64
}

func newSpotter(rateHz int, fromDB float64) *spotter {
	high, _ := filter.Highpass(sharpFromHz, 12, float64(rateHz)) // both fail for other slopes and rates only
	low, _ := filter.Lowpass(sharpToHz, 12, float64(rateHz))
	n := int(spotBlockS * float64(rateHz))
	return &spotter{
		fromDB: fromDB, block: make([]float64, 0, n), scratch: make([]float64, n),
		weigh: kernel.NewCascade(meter.KWeighting(float64(rateHz))), sharp: kernel.NewCascade(append(high, low...)),
	}
}

func (s *spotter) write(x []float64) {
	for len(x) > 0 {
		n := min(len(x), cap(s.block)-len(s.block))
		s.block = append(s.block, x[:n]...)
		if x = x[n:]; len(s.block) == cap(s.block) {
			s.judge()
			s.block = s.block[:0]
		}
	}
}

func (s *spotter) judge() {
	b := spotBlock{plain: meanSquare(s.block)}
	for _, f := range []struct {
		cascade *kernel.Cascade
		to      *float64
	}{{s.weigh, &b.weighted}, {s.sharp, &b.in}} {
		copy(s.scratch, s.block)
		f.cascade.Process(s.scratch)
		*f.to = meanSquare(s.scratch)
	}
	b.speech = 10*math.Log10(b.plain) >= s.fromDB
	s.last[s.n%spotBlocks] = b
	if s.n++; s.n < spotBlocks {
		return
	}
	var sum spotBlock
	speech := 0
	for i := range spotBlocks { // in time's order, so that no sum hangs on the ring
		one := s.last[(s.n+i)%spotBlocks]
		if one.speech {
			speech++
		}
		sum.plain += one.plain
		sum.weighted += one.weighted
		sum.in += one.in
	}
	if speech < spotSpeech {
		return
	}
	atS := float64(s.n-spotBlocks) * spotBlockS
	loud := dsp.DB(dsp.Round2(-0.691 + 10*math.Log10(sum.weighted/spotBlocks))) // ITU-R BS.1770-5
	sharp := dsp.DB(dsp.Round2(10 * math.Log10(sum.in/sum.plain)))
	if !s.found || loud > s.loudest.DB {
		s.loudest = pipeline.Spot{AtS: atS, DB: loud}
	}
	if !s.found || loud < s.quietest.DB {
		s.quietest = pipeline.Spot{AtS: atS, DB: loud}
	}
	if !s.found || sharp > s.sharpest.DB {
		s.sharpest = pipeline.Spot{AtS: atS, DB: sharp}
	}
	s.found = true
}

func meanSquare(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += float64(v * v)
	}
	return sum / float64(len(x))
}

// keepSeries leaves a series among the outputs.
func (b *bench) keepBytes(role string, data []byte) (pipeline.Output, error) {
	out := pipeline.Output{Role: role, Blob: pipeline.DigestOf(data), Bytes: int64(len(data))}
	if err := os.WriteFile(OutputPath(b.dir, out.Blob), data, 0o644); err != nil {
		return out, pipeline.Errorf(pipeline.Infra, "output", "%w", err)
	}
	return out, nil
}

package render

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/series"
)

const (
	// spokenDB is how far under the active speech level a block may lie and
	// still be speech: the margin of ITU-T P.56 method B.
	spokenDB = 15.9
	// spectrumSize is the segment of a spectrum while speaking, samples: bands of
	// a sixth of an octave are three bins wide from about 140 Hz on at 44.1 kHz.
	spectrumSize = 8192
)

// spoken averages the spectrum of those blocks of a signal that are speech.
type spoken struct {
	fromDB float64 // a block's plain RMS from which it is speech, dBFS
	block  []float64
	n      int
	welch  *spectrum.Welch
	energy float64 // of the blocks that are
	blocks int
	// heard notes which blocks are speech, and is asked instead where it comes
	// from another signal in step with this one.
	heard []bool
	asked bool
}

func newSpoken(fromDB float64) *spoken {
	w, _ := spectrum.NewWelch(spectrumSize) // fails for other sizes only
	return &spoken{fromDB: fromDB, block: make([]float64, 0, spectrumSize), welch: w}
}

// inStep is a spectrum over the blocks in which another signal is speech.
func (s *spoken) inStep() *spoken {
	w := newSpoken(0)
	w.asked = true
	return w
}

func (s *spoken) write(x []float64) {
	for len(x) > 0 {
		n := min(len(x), cap(s.block)-len(s.block))
		s.block = append(s.block, x[:n]...)
		if x = x[n:]; len(s.block) == cap(s.block) {
			s.judge()
		}
	}
}

func (s *spoken) judge() {
	var sum float64
	for _, v := range s.block {
		sum += float64(v * v)
	}
	speech := false
	if s.asked {
		speech = s.n < len(s.heard) && s.heard[s.n]
	} else {
		speech = 10*math.Log10(sum/float64(len(s.block))) >= s.fromDB
		s.heard = append(s.heard, speech)
	}
	if speech {
		s.welch.Write(s.block)
		s.welch.Break() // one segment a block: overlap would double the work and draw the same line
		s.energy += sum
		s.blocks++
	}
	s.n++
	s.block = s.block[:0]
}

// bands is the spectrum while speaking; nil where there was no speech.
func (s *spoken) bands(rateHz int) pipeline.Spectrum {
	if s.welch.Segments() == 0 {
		return nil
	}
	levels := spectrum.Levels(s.welch.Power(), rateHz, spectrum.SixthOctaves())
	for i, l := range levels {
		levels[i] = dsp.DBFS(math.Round(float64(l)*10) / 10)
	}
	return levels
}

// rms is the level while speaking, dBFS.
func (s *spoken) rms() dsp.DBFS {
	return dsp.DBFS(dsp.Round2(10 * math.Log10(s.energy/float64(s.blocks*spectrumSize))))
}

// seconds is how long was spoken.
func (s *spoken) seconds(rateHz int) float64 {
	return dsp.Round2(dsp.Frames(s.blocks * spectrumSize).Seconds(rateHz))
}

// outline draws the largest magnitude of each 10 ms.
type outline struct {
	pen    *series.Pen
	rateHz int
	n, at  int // samples; steps drawn
	peak   float64
}

func newOutline(rateHz int) *outline {
	return &outline{pen: series.NewPen(series.WaveStepDB), rateHz: rateHz}
}

func (o *outline) write(x []float64) {
	for len(x) > 0 {
		end := ((o.at+1)*o.rateHz + stepsPerS - 1) / stepsPerS // first sample of the next step
		if o.n == end {
			o.draw()
			continue
		}
		n := min(end-o.n, len(x))
		peak := o.peak
		for _, v := range x[:n] {
			if v = math.Abs(v); v > peak {
				peak = v
			}
		}
		o.peak = peak
		o.n += n
		x = x[n:]
	}
}

// stepsPerS is the grid of series.
const stepsPerS = 100

// steps is how many steps so many frames are.
func steps(frames dsp.Frames, rateHz int) int {
	return (int(frames)*stepsPerS + rateHz - 1) / rateHz
}

func (o *outline) draw() {
	o.pen.Add(20 * math.Log10(o.peak))
	o.peak = 0
	o.at++
}

func (o *outline) trace() series.Trace {
	if o.n*stepsPerS > o.at*o.rateHz {
		o.draw()
	}
	return o.pen.Trace()
}

// gainLine draws a stage's gain: of each 10 ms the one that is furthest from 0.
type gainLine struct {
	pen    *series.Pen
	rateHz int
	step   int // samples between control values
	at     int // steps drawn
	far    float64
	moves  bool
}

func newGainLine(rateHz int) *gainLine {
	return &gainLine{pen: series.NewPen(series.GainStepDB), rateHz: rateHz, step: dsp.ControlStep(float64(rateHz))}
}

// quantum takes a quantum's gains; the first of them acts on frame at. Those
// that lie before the signal's start or from its end on are left out.
func (g *gainLine) quantum(at, end dsp.Frames, gainsDB []float64) {
	g.moves = true
	for i, db := range gainsDB {
		frame := int(at) + i*g.step
		if frame < 0 || frame >= int(end) {
			continue
		}
		for frame*stepsPerS/g.rateHz > g.at {
			g.draw()
		}
		if math.Abs(db) > math.Abs(g.far) {
			g.far = db
		}
	}
}

func (g *gainLine) draw() {
	g.pen.Add(g.far)
	g.far = 0
	g.at++
}

// trace ends the line after so many steps, as long as the signal is.
func (g *gainLine) trace(steps int) series.Trace {
	for g.at < steps {
		g.draw()
	}
	return g.pen.Trace()
}

// sketch is what is drawn of one part on its way through fit and chain.
type sketch struct {
	cut           pipeline.Cut
	wave          *outline
	before, after *spoken
	names         []string
	lines         []*gainLine
}

func newSketch(p pipeline.FilePart) *sketch {
	s := &sketch{cut: p.Cut, wave: newOutline(p.Cut.RateHz), before: newSpoken(float64(p.Facts.SpeechDBFS) - float64(p.FitDB) - spokenDB)}
	s.after = s.before.inStep()
	for _, stage := range p.Chain {
		s.names = append(s.names, stage.Stage)
		s.lines = append(s.lines, newGainLine(p.Cut.RateHz))
	}
	return s
}

// raw takes what came, before any gain.
func (s *sketch) raw(x []float64) {
	s.wave.write(x)
	s.before.write(x)
}

func (s *sketch) quantum(at dsp.Frames, stage int, gainsDB []float64) {
	s.lines[stage].quantum(at, dsp.Frames(s.wave.n), gainsDB)
}

// chained takes what came out.
func (s *sketch) chained(y []float64) {
	s.after.heard = s.before.heard
	s.after.write(y)
}

func (s *sketch) part() series.Part {
	n := steps(dsp.Frames(s.wave.n), s.cut.RateHz)
	p := series.Part{
		Source: s.cut.Source, StartS: dsp.Round2(s.cut.Span.From.Seconds(s.cut.SourceRateHz)),
		Wave: s.wave.trace(), Before: s.before.bands(s.cut.RateHz), After: s.after.bands(s.cut.RateHz),
	}
	seen := map[string]int{}
	for i, l := range s.lines {
		if l.moves {
			p.Stages = append(p.Stages, series.Stage{Name: numbered(s.names[i], seen), Gain: l.trace(n)})
		}
	}
	return p
}

package check

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// A Part is what a check is told of a part before it hears it, from its
// profile. Levels are before any gain, places in frames of RateHz from the
// part's start.
type Part struct {
	RateHz   int        // of what is heard: the source's own
	Frames   dsp.Frames // its length
	Speech   dsp.DBFS   // ITU-T P.56; -Inf: nobody speaks
	Spoken   pipeline.Span
	Floor    meter.Floor
	RoomTone pipeline.Spectrum // sixth octaves; empty: none was found
	Marks    pipeline.Marks

	instruments *instruments // of the Ears that hear it
}

// PartOf is what checks are told of a part with marks in frames of its cut's
// work rate.
func PartOf(p pipeline.CheckPart, marks pipeline.Marks) Part {
	at := func(f dsp.Frames) dsp.Frames {
		return dsp.FramesIn(f.Seconds(p.Cut.RateHz), p.Cut.SourceRateHz)
	}
	out := Part{
		RateHz: p.Cut.SourceRateHz, Frames: p.Cut.Span.Len(), Speech: p.Speech, Floor: p.Floor, RoomTone: p.RoomTone,
		Spoken: pipeline.Span{From: at(p.Cut.Speech.From), To: at(p.Cut.Speech.To)},
	}
	for _, phrase := range marks.Phrases {
		phrase.From, phrase.To = at(phrase.From), at(phrase.To)
		out.Marks.Phrases = append(out.Marks.Phrases, phrase)
	}
	for _, b := range marks.Breaths {
		b.From, b.To = at(b.From), at(b.To)
		out.Marks.Breaths = append(out.Marks.Breaths, b)
	}
	for _, m := range marks.Mains {
		m.At = at(m.At)
		out.Marks.Mains = append(out.Marks.Mains, m)
	}
	return out
}

// A Listener hears one part from start to end, folded to one channel, in blocks
// of any size.
type Listener interface {
	Hear(x []float64)
	Heard() []Stretch
}

// A SpectrumListener hears the part's power spectrum besides, which is made once
// for all checks: one every 10 ms, of SpectrumSize samples under a Hann window
// centred there, the first at the part's start. 1 is a sine of full scale in
// the middle of a bin. power is valid during the call.
type SpectrumListener interface {
	Listener
	HearSpectrum(power []float64)
}

// A SidesListener hears every channel of a part with two or more, as they were
// before they were folded.
type SidesListener interface {
	Listener
	HearSides(ch [][]float64)
}

// A Stretch is a place in what a listener heard.
type Stretch struct {
	From, To dsp.Frames // counted from the first frame heard
	Measured string
	Limit    string
	Do       string
	Weight   pipeline.Verdict
	// Value and LimitValue are Measured and the limit for its weight as figures, in Unit.
	Value, LimitValue float64
	Unit              string
	Act               pipeline.Act // where it is another than the check's own
}

// SpectrumSize is the number of samples of a shared spectrum: 23 to 47 ms.
func SpectrumSize(rateHz int) int {
	n := 256
	for 43*n < rateHz {
		n *= 2
	}
	return n
}

// Ears are the listening checks over one part.
type Ears struct {
	part     Part
	names    []string
	all      []Listener
	spectral []SpectrumListener
	sided    []SidesListener
	likeness *likeness
	frames   *frames
}

// NewEars sends every listening check among checks to one part.
func NewEars(checks []Check, p Part) *Ears {
	p.instruments = &instruments{}
	e := &Ears{part: p, likeness: newLikeness(p)}
	for _, c := range checks {
		if c.Listen == nil {
			continue
		}
		l := c.Listen(p)
		e.names, e.all = append(e.names, c.Name), append(e.all, l)
		if s, ok := l.(SpectrumListener); ok {
			e.spectral = append(e.spectral, s)
		}
		if s, ok := l.(SidesListener); ok {
			e.sided = append(e.sided, s)
		}
	}
	n := SpectrumSize(p.RateHz)
	e.frames = newFrames(n, (p.RateHz+50)/100)
	e.frames.held = e.frames.held[:n/2] // silence before the start: the first is centred on it
	return e
}

// Hear takes the next frames: folded, and each channel as it was.
func (e *Ears) Hear(mono []float64, ch [][]float64) {
	e.part.instruments.hear(mono)
	for _, l := range e.all {
		l.Hear(mono)
	}
	if len(ch) > 1 {
		for _, l := range e.sided {
			l.HearSides(ch)
		}
	}
	e.frames.hear(mono, e.spread)
}

func (e *Ears) spread(power []float64) {
	e.likeness.HearSpectrum(power)
	e.part.instruments.hearSpectrum(power)
	for _, l := range e.spectral {
		l.HearSpectrum(power)
	}
}

// Heard ends the part and gives what was found, check by check, in seconds from
// the part's start.
func (e *Ears) Heard() []pipeline.Finding {
	e.frames.hear(make([]float64, len(e.frames.block)/2), e.spread) // up to the last that is centred within the part
	var out []pipeline.Finding
	for i, l := range e.all {
		for _, s := range l.Heard() {
			out = append(out, pipeline.Finding{
				Check:  e.names[i],
				StartS: dsp.Round2(s.From.Seconds(e.part.RateHz)), EndS: dsp.Round2(s.To.Seconds(e.part.RateHz)),
				Measured: s.Measured, Limit: s.Limit, Do: s.Do, Weight: s.Weight,
				Value: s.Value, LimitValue: s.LimitValue, Unit: s.Unit, Act: s.Act,
			})
		}
	}
	return out
}

// Likeness is how the part sounds, once it has ended.
func (e *Ears) Likeness() pipeline.Likeness { return e.likeness.result() }

// Clicks are where moments of up to 2 ms stand out as clicks of a mouth or a
// machine do, in order, once the part has ended.
func (e *Ears) Clicks() (at []dsp.Frames) {
	for _, c := range e.part.clickFinder().end() {
		at = append(at, c.at)
	}
	return at
}

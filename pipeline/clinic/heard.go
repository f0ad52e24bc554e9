package clinic

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// heard is what several signs are told from, worked out once.
type heard struct {
	voice []float64 // mean power spectrum of the page while speaking, as spectrum.Welch has it; nil: nobody speaks
	plain []float64 // the same without its esses, with lines farther apart
	tone  []float64 // of the room tone; nil: there is none
	toneS float64   // room tone that was heard, seconds
	pitch pitch
	esses sibilance
	lines []steadyLine // of the room tone, the strongest first
}

// pitch is how high a voice speaks, Hz; zero where it was not told.
type pitch struct {
	LowHz, MidHz, HighHz float64 // a tenth is lower, half, nine tenths
}

// pitchFrames are the fewest that tell it.
const pitchFrames = 60

func pitchOf(r *Read) pitch {
	l := lower(r)
	hz := l.pitches()
	if len(hz) < pitchFrames {
		return pitch{}
	}
	return pitch{math.Round(share(hz, 0.1)), math.Round(share(hz, 0.5)), math.Round(share(hz, 0.9))}
}

// spectrumS is about how long a segment of these spectra is: lines 5 to 6 Hz
// apart, so that a third octave at 63 Hz has two.
const spectrumS = 0.186

// listen works out what is heard of a read.
func listen(r *Read) heard {
	var h heard
	tone := r.pieces()
	for _, s := range tone {
		h.toneS += s.Len().Seconds(r.RateHz)
	}
	page := r.page()
	h.voice, h.tone = r.powerOf(page, spectrumS), r.powerOf(tone, spectrumS)
	h.pitch = pitchOf(r)
	h.esses, h.plain = sibilanceOf(r, page)
	h.lines = linesOf(r)
	return h
}

// page is what is spoken on the page, without what is far softer or louder than
// the rest of it, for a raised voice has another spectrum; without a page, all
// that is spoken.
func (r *Read) page() (spans []pipeline.Span) {
	usual := usualLevel(r.phrases)
	for _, p := range r.phrases {
		within := p.From >= r.Places.Page.From && p.To <= r.Places.Page.To && float64(p.Level) > usual-quietUnderDB && float64(p.Level) < usual+loudOverDB
		if r.Places.Page.Len() == 0 || within {
			spans = append(spans, pipeline.Span{From: p.From, To: p.To})
		}
	}
	return spans
}

// pieces are the room tone that nothing else is in, windows without a gap as one.
func (r *Read) pieces() (out []pipeline.Span) {
	for _, w := range r.Room.Tone {
		if n := len(out); n > 0 && out[n-1].To == w.From {
			out[n-1].To = w.To
			continue
		}
		out = append(out, pipeline.Span{From: w.From, To: w.To})
	}
	return out
}

// powerOf is the mean power spectrum over spans, in segments of about so many
// seconds; nil where none holds one.
func (r *Read) powerOf(spans []pipeline.Span, seconds float64) []float64 {
	w, err := spectrum.NewWelch(sizeOf(seconds, r.RateHz))
	if err != nil {
		return nil // rates that no file has
	}
	for _, s := range spans {
		w.Write(r.x[s.From:s.To])
		w.Break()
	}
	return w.Power()
}

// sizeOf is the power of two nearest to a time, in samples.
func sizeOf(seconds float64, rateHz int) int {
	return 1 << int(math.Round(math.Log2(seconds*float64(rateHz))))
}

// between is the power of a spectrum from one frequency up to another, a mean
// square.
func between(power []float64, rateHz int, fromHz, toHz float64) float64 {
	if power == nil {
		return 0
	}
	level := float64(spectrum.Levels(power, rateHz, []spectrum.Band{{Lower: fromHz, Upper: toHz}})[0])
	return math.Pow(10, level/10)
}

// over is the level of a spectrum from one frequency to another with the room
// tone's taken off, dBFS; false where the room tone hides it: it is not 3 dB louder.
func (h heard) over(power []float64, rateHz int, fromHz, toHz float64) (dB float64, ok bool) {
	v, t := between(power, rateHz, fromHz, toHz), between(h.tone, rateHz, fromHz, toHz)
	if v <= 2*t || v <= 0 {
		return math.Inf(-1), false
	}
	return inDB(v - t), true
}

// inDB is a power as a level.
func inDB(power float64) float64 { return 10 * math.Log10(max(power, 1e-30)) }

// levelOf is the plain RMS over spans, dBFS.
func (r *Read) levelOf(spans ...pipeline.Span) float64 {
	sum, n := 0.0, 0.0
	for _, s := range spans {
		for _, v := range r.x[s.From:s.To] {
			sum += v * v
		}
		n += float64(s.Len())
	}
	return inDB(sum / max(n, 1))
}

// peakOf is the highest sample over a span, dBFS.
func (r *Read) peakOf(s pipeline.Span) float64 {
	top := 0.0
	for _, v := range r.x[s.From:s.To] {
		top = max(top, math.Abs(v))
	}
	return 20 * math.Log10(max(top, 1e-15))
}

// minutes is how long the read is.
func (r *Read) minutes() float64 { return dsp.Frames(len(r.x)).Seconds(r.RateHz) / 60 }

// found are the findings of a check.
func (r *Read) found(check string) (out []pipeline.Finding) {
	for _, f := range r.Findings {
		if f.Check == check {
			out = append(out, f)
		}
	}
	return out
}

// span is a place in seconds as frames of the read; 0 to 0 is all of it.
func (r *Read) span(fromS, toS float64) pipeline.Span {
	if fromS == 0 && toS == 0 {
		return pipeline.Span{To: dsp.Frames(len(r.x))}
	}
	return pipeline.Span{From: dsp.FramesIn(fromS, r.RateHz), To: min(dsp.FramesIn(toS, r.RateHz), dsp.Frames(len(r.x)))}
}

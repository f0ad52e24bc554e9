package clinic

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

const (
	pairFrameS  = 0.046 // window of a frame's levels
	pairHopS    = 0.035
	pairLongS   = 0.19 // window of spectra of speech, fine enough for sixth octaves from 40 Hz up
	pairLowHz   = 90.0 // of third octaves
	pairHighHz  = 13000.0
	pairLongLow = 36.0 // of sixth octaves
	pairLongTop = 17500.0
	pairNilDB   = -105.0 // of a band: under it is a converter's or dither's own noise
	pairMostS   = 45.0   // that are compared: three stretches of a longer read
	pairWarmS   = 3.0    // that stages hear before a stretch begins
)

// A bandScale is the level in each of some bands, over a window.
type bandScale struct {
	bands  []spectrum.Band
	fft    *spectrum.FFT
	window []float64
	x      []float64
	bins   []complex128
	power  []float64
	rateHz int
}

// newBandScale makes one over about windowS, bands by their middle within lowHz
// and highHz and what the rate has.
func newBandScale(all []spectrum.Band, lowHz, highHz, windowS float64, rateHz int) *bandScale {
	n := 1 << int(math.Round(math.Log2(windowS*float64(rateHz))))
	n = min(n, spectrum.MaxSize)
	f, err := spectrum.NewFFT(n)
	if err != nil {
		panic(err) // a power of two within bounds
	}
	s := &bandScale{fft: f, window: spectrum.Hann(n), x: make([]float64, n), bins: make([]complex128, n/2+1), power: make([]float64, n/2+1), rateHz: rateHz}
	for _, b := range all {
		if b.Mid >= lowHz && b.Mid <= highHz && b.Upper < 0.45*float64(rateHz) {
			s.bands = append(s.bands, b)
		}
	}
	return s
}

// size is the window in frames.
func (s *bandScale) size() int { return len(s.window) }

// powers adds the power of each band from frame at on to dst.
func (s *bandScale) powers(dst, x []float64, at int) {
	part := x[at : at+len(s.window)]
	for i, w := range s.window {
		s.x[i] = w * part[i]
	}
	s.fft.Forward(s.bins, s.x)
	n := float64(len(s.window))
	norm := 2 / (0.375 * n * n) // the window's mean square is 3/8
	for k, b := range s.bins {
		s.power[k] = norm * (real(b)*real(b) + imag(b)*imag(b))
	}
	hz := float64(s.rateHz) / float64(len(s.window))
	for i, b := range s.bands {
		dst[i] += binsBetween(s.power, b.Lower/hz, b.Upper/hz)
	}
}

// binsBetween is the power between two places counted in bins, each of which
// reaches half a bin to both sides.
func binsBetween(power []float64, lower, upper float64) float64 {
	sum := 0.0
	for k := int(lower + 0.5); k <= int(upper+0.5) && k < len(power); k++ {
		sum += power[k] * (min(upper, float64(k)+0.5) - max(lower, float64(k)-0.5))
	}
	return sum
}

// powerDB is a power in dB; nothing is far under all that counts.
func powerDB(p float64) float64 { return 10 * math.Log10(p+1e-14) }

// A stretched signal is what a read has, or a chain makes of it, in each of the
// stretches that are compared, one slice each.
type stretched [][]float64

// A spot is where a window begins in a stretched signal.
type spot struct{ stretch, at int }

// A grid is what is compared of two recordings on one time: windows, what they
// are, and what the finished has there.
type grid struct {
	rateHz  int
	spans   []pipeline.Span // of the raw, what stages hear beforehand included
	at      []spot
	speech  []bool          // of each frame: within a phrase of the raw
	tone    []bool          // of each frame: room tone of the raw
	longAt  []spot          // in speech
	band    []spectrum.Band // third octaves of frames
	long    []spectrum.Band // sixth octaves of long windows
	aligned stretched       // the finished on the raw's time, 0 where it has nothing
	levels  [][]float64     // of the finished: dB by frame and band
	longDB  []float64       // of the finished
}

// newGrid compares stretches of a raw read with pieces of the finished.
func newGrid(r *Read, fin []float64, pieces []piece, spans []pipeline.Span) *grid {
	g := &grid{rateHz: r.RateHz, spans: spans}
	frames, long := g.scales()
	g.band, g.long = frames.bands, long.bands
	whole := make([]float64, len(r.x))
	for _, p := range pieces {
		copy(whole[p.From:p.To], fin[p.From+p.lag:])
	}
	g.aligned = g.cut(whole)
	hop := int(pairHopS * float64(r.RateHz))
	for i, span := range g.spans {
		from, to := int(span.From), int(span.To)
		warm := 0
		if from > 0 {
			warm = int(pairWarmS * float64(r.RateHz))
		}
		for at := from + warm; at+frames.size() <= to; at += hop {
			if !withinPiece(pieces, at, frames.size()) {
				continue
			}
			core := pipeline.Span{From: dsp.Frames(at + frames.size()/4), To: dsp.Frames(at + frames.size()*3/4)}
			g.at = append(g.at, spot{i, at - from})
			g.speech = append(g.speech, spoken(core, r.Marks.Phrases))
			g.tone = append(g.tone, quiet(core, r.Room.Tone))
		}
		for at := from + warm; at+long.size() <= to; at += long.size() {
			core := pipeline.Span{From: dsp.Frames(at + long.size()/4), To: dsp.Frames(at + long.size()*3/4)}
			if withinPiece(pieces, at, long.size()) && spoken(core, r.Marks.Phrases) {
				g.longAt = append(g.longAt, spot{i, at - from})
			}
		}
	}
	g.levels, g.longDB = g.listen(g.aligned, frames, long)
	return g
}

// cut is a whole signal as stretches of it.
func (g *grid) cut(x []float64) stretched {
	out := make(stretched, len(g.spans))
	for i, s := range g.spans {
		out[i] = x[s.From:s.To]
	}
	return out
}

// listen is what a signal has in each frame, and in all long windows together.
func (g *grid) listen(x stretched, frames, long *bandScale) (levels [][]float64, longDB []float64) {
	all := make([]float64, len(g.at)*len(g.band))
	levels = make([][]float64, len(g.at))
	for i, s := range g.at {
		row := all[i*len(g.band) : (i+1)*len(g.band)]
		frames.powers(row, x[s.stretch], s.at)
		for b, p := range row {
			row[b] = powerDB(p)
		}
		levels[i] = row
	}
	longDB = make([]float64, len(g.long))
	for _, s := range g.longAt {
		long.powers(longDB, x[s.stretch], s.at)
	}
	for b, p := range longDB {
		longDB[b] = powerDB(p / float64(max(1, len(g.longAt))))
	}
	return levels, longDB
}

// scales are the two that listen needs; each goroutine has its own.
func (g *grid) scales() (frames, long *bandScale) {
	return newBandScale(spectrum.ThirdOctaves(), pairLowHz, pairHighHz, pairFrameS, g.rateHz),
		newBandScale(spectrum.SixthOctaves(), pairLongLow, pairLongTop, pairLongS, g.rateHz)
}

// stretches are all of a short read, and three of a longer one, each with what
// stages hear beforehand.
func stretches(n, rateHz int) []pipeline.Span {
	if dsp.Frames(n).Seconds(rateHz) <= pairMostS {
		return []pipeline.Span{{To: dsp.Frames(n)}}
	}
	const parts = 3
	length := int((pairMostS/parts + pairWarmS) * float64(rateHz))
	var out []pipeline.Span
	for i := range parts {
		from := (n - length) * i / (parts - 1)
		from -= from % dsp.Quantum
		out = append(out, pipeline.Span{From: dsp.Frames(from), To: dsp.Frames(from + length)})
	}
	return out
}

// telling are two stretches that hold most of what a chain does: around the
// loudest phrase, and where room tone begins. Most of a search needs no more.
func telling(r *Read) []pipeline.Span {
	const aroundS, toneS = 6.0, 4.0
	second := dsp.Frames(r.RateHz)
	all := pipeline.Span{To: dsp.Frames(len(r.x))}
	var loud meter.Phrase
	for i, p := range r.Marks.Phrases {
		if i == 0 || p.Level > loud.Level {
			loud = p
		}
	}
	span := func(from, to dsp.Frames) pipeline.Span {
		from = max(0, from-dsp.Frames(pairWarmS*float64(r.RateHz)))
		from -= from % dsp.Quantum
		return pipeline.Span{From: from, To: min(all.To, to)}
	}
	mid := (loud.From + loud.To) / 2
	out := []pipeline.Span{span(mid-aroundS*second, mid+aroundS*second)}
	// The room tone that lasts longest, by windows that follow each other.
	var best, run pipeline.Span
	for _, w := range r.Room.Tone {
		if w.From > run.To+second/4 {
			run = pipeline.Span{From: w.From}
		}
		if run.To = w.To; run.Len() > best.Len() {
			best = run
		}
	}
	if best.Len() > 0 {
		out = append(out, span(best.From-toneS*second, best.From+toneS*second))
	}
	if len(out) == 2 && out[0].From < out[1].To && out[1].From < out[0].To {
		out = []pipeline.Span{{From: min(out[0].From, out[1].From), To: max(out[0].To, out[1].To)}}
	}
	return out
}

func withinPiece(pieces []piece, at, n int) bool {
	for _, p := range pieces {
		if dsp.Frames(at) >= p.From && dsp.Frames(at+n) <= p.To {
			return true
		}
	}
	return false
}

// spoken tells whether a span lies wholly in a phrase.
func spoken(s pipeline.Span, phrases []meter.Phrase) bool {
	return slices.ContainsFunc(phrases, func(p meter.Phrase) bool { return s.From >= p.From && s.To <= p.To })
}

// quiet tells whether a span lies wholly in room tone.
func quiet(s pipeline.Span, tone []meter.Window) bool {
	return slices.ContainsFunc(tone, func(w meter.Window) bool { return s.From >= w.From && s.To <= w.To })
}

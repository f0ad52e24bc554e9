package render

import (
	"math"
	"math/rand/v2"
	"slices"
	"strconv"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/pipeline"
)

const (
	joinS      = 0.050 // equal-power join between two stretches of room tone
	fadeS      = 0.010 // at the very start and end of a file
	gapPieceS  = 0.050 // natural room tone is tested in pieces of this length
	gapUnderDB = 20.0  // a piece so far under the room tone is a hole, not room
	deadPieceS = 0.004 // and in these, of which one lies in every 10 ms
	deadSpan   = 1e-6  // a piece that moves less, peak to peak, is no microphone's
	bareDBFS   = -84.0 // noise where there is no room tone: twice the 16-bit step, so that an MP3's decode moves too
)

// A bed is the room tone of one part after its chain, from which heads, tails
// and pauses of any length are laid without an audible loop.
type bed struct {
	part    *spool
	cut     pipeline.Cut
	gain    float64
	windows []toneWindow
	power   float64 // mean square of the windows
	next    int
	rand    *rand.PCG // by the source alone: the same edges on every run
}

// A toneWindow is one of a cut's stretches of room tone.
type toneWindow struct {
	span pipeline.Span
	x    []float64
}

func newBed(s *spool, cut pipeline.Cut, gain float64) (*bed, error) {
	seed, err := strconv.ParseUint(string(cut.Source[:16]), 16, 64)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.Bug, "source digest", "%w", err)
	}
	b := &bed{part: s, cut: cut, gain: gain, rand: rand.NewPCG(seed, 0)}
	var frames int
	for _, span := range cut.Tone {
		w := make([]float64, span.Len())
		if err := s.read(w, span.From); err != nil {
			return nil, err
		}
		for _, v := range w {
			b.power += float64(v * v)
		}
		frames += len(w)
		b.windows = append(b.windows, toneWindow{span, w})
	}
	if frames > 0 {
		b.power /= float64(frames)
	}
	for i := len(b.windows) - 1; i > 0; i-- { // shuffled: neighbours in time do not follow each other
		j := int(b.rand.Uint64() % uint64(i+1))
		b.windows[i], b.windows[j] = b.windows[j], b.windows[i]
	}
	return b, nil
}

// tone lays n frames of room tone.
func (b *bed) tone(n int) []float64 {
	out := make([]float64, 0, n)
	if len(b.windows) == 0 {
		// No room tone anywhere: faint noise, so that a file is never
		// digital silence. The chapter is marked for an ear.
		width := 2 * math.Sqrt(3) * kernel.FromDB(bareDBFS) / b.gain
		for range n {
			out = append(out, (float64(b.rand.Uint64()>>11)/(1<<53)-0.5)*width)
		}
		return out
	}
	join := int(dsp.FramesIn(joinS, b.cut.RateHz))
	for len(out) < n {
		w := b.windows[b.next%len(b.windows)].x
		if b.next >= len(b.windows) { // used once already: enter elsewhere
			w = w[int(b.rand.Uint64()%uint64(len(w)/4+1)):]
		}
		b.next++
		out = crossfade(out, w, min(join, len(w)/2))
	}
	return out[:n]
}

// before is the n frames of room tone that lead to the part's first sound:
// the room as it was recorded, as far back as it is whole, laid tone before.
func (b *bed) before(n int) ([]float64, error) {
	x := make([]float64, n)
	if err := b.part.read(x, b.cut.Speech.From-dsp.Frames(n)); err != nil {
		return nil, err
	}
	whole := b.whole(x, true, int(b.cut.Speech.From))
	if whole < n {
		b.spare(pipeline.Span{From: b.cut.Speech.From - dsp.Frames(whole), To: b.cut.Speech.From})
		join := min(int(dsp.FramesIn(joinS, b.cut.RateHz)), whole)
		x = crossfade(b.tone(n-whole+join), x[n-whole:], join)
	}
	return scale(x, b.gain), nil
}

// after is the n frames of room tone that follow the part's last sound.
func (b *bed) after(n int) ([]float64, error) {
	x := make([]float64, n)
	if err := b.part.read(x, b.cut.Speech.To); err != nil {
		return nil, err
	}
	whole := b.whole(x, false, int(b.part.frames-b.cut.Speech.To))
	if whole < n {
		b.spare(pipeline.Span{From: b.cut.Speech.To, To: b.cut.Speech.To + dsp.Frames(whole)})
		join := min(int(dsp.FramesIn(joinS, b.cut.RateHz)), whole)
		x = crossfade(x[:whole:whole], b.tone(n-whole+join), join)
	}
	return scale(x, b.gain), nil
}

// spare puts windows that are heard within a span as they were recorded behind
// those that are not: the same tone twice in a row would be heard.
func (b *bed) spare(heard pipeline.Span) {
	behind := func(w toneWindow) int {
		if w.span.From < heard.To && heard.From < w.span.To {
			return 1
		}
		return 0
	}
	slices.SortStableFunc(b.windows[min(b.next, len(b.windows)):], func(v, w toneWindow) int { return behind(v) - behind(w) })
}

// whole is how many frames of x, from its end when backwards, are room as it
// was recorded: there at all, and without a hole.
func (b *bed) whole(x []float64, backwards bool, there int) int {
	piece := int(dsp.FramesIn(gapPieceS, b.cut.RateHz))
	limit := b.power * kernel.FromDB(-2*gapUnderDB)
	n := until(x, min(len(x), there), backwards, piece, func(p []float64) bool {
		var power float64
		for _, v := range p {
			power += float64(v * v)
		}
		return power/float64(len(p)) <= limit
	})
	piece = int(dsp.FramesIn(deadPieceS, b.cut.RateHz))
	return until(x, n, backwards, piece, func(p []float64) bool {
		return len(p) == piece && slices.Max(p)-slices.Min(p) <= deadSpan
	})
}

// until is how many frames come before the first piece of x that is a hole, n
// where none is; from the end of x when backwards.
func until(x []float64, n int, backwards bool, piece int, hole func([]float64) bool) int {
	for at := 0; at < n; at += piece {
		end := min(at+piece, n)
		p := x[at:end]
		if backwards {
			p = x[len(x)-end : len(x)-at]
		}
		if hole(p) {
			return at
		}
	}
	return n
}

// crossfade appends y to x, the first join frames of y laid over the last of
// x with equal power.
func crossfade(x, y []float64, join int) []float64 {
	join = min(join, len(x), len(y))
	for i := range join {
		t := (float64(i) + 0.5) / float64(join)
		k := len(x) - join + i
		x[k] = float64(x[k]*kernel.Cos(t*math.Pi/2)) + float64(y[i]*kernel.Sin(t*math.Pi/2))
	}
	return append(x, y[join:]...)
}

// fadeEnds brings the first and last frames of a file up from and down to nothing.
func fadeEnds(head, tail []float64, rateHz int) {
	n := int(dsp.FramesIn(fadeS, rateHz))
	for i := range min(n, len(head)) {
		head[i] *= ramp(i, n)
	}
	for i := range min(n, len(tail)) {
		tail[len(tail)-1-i] *= ramp(i, n)
	}
}

func ramp(i, n int) float64 {
	return 0.5 - float64(0.5*kernel.Cos(math.Pi*(float64(i)+0.5)/float64(n)))
}

func scale(x []float64, gain float64) []float64 {
	for i := range x {
		x[i] *= gain
	}
	return x
}

package clinic

import (
	"math"
	"math/cmplx"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/filter"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
	"chapterhouse/pipeline"
)

// A piece is a stretch of the raw read that was found in the finished one: its
// frame i is frame i+lag there.
type piece struct {
	pipeline.Span // of the raw
	lag           dsp.Frames
	fine          float64 // what lies between the frames, of one frame
	likeness      float64 // correlation of the wave, -1 to 1
	envelope      float64 // of the levels
}

// An Alignment tells how the finished lies beside the raw.
type Alignment struct {
	DelayS   float64 `json:"delay_s"`   // of the finished behind the raw, where it begins
	FoundS   float64 `json:"found_s"`   // seconds of the raw's speech that were found in the finished,
	OfS      float64 `json:"of_s"`      // of so many
	Likeness float64 `json:"likeness"`  // correlation of the two waves, 0 to 1, the middle of all pieces
	Steps    int     `json:"steps"`     // places where a pause was edited
	StepsS   float64 `json:"steps_s"`   // by so much in all
	SpeedPct float64 `json:"speed_pct"` // by which the finished is faster; 0: it isn't
	Reversed bool    `json:"reversed"`  // in polarity
}

const (
	chunkS       = 3.0    // longest stretch that is looked for at once
	leastChunkS  = 1.2    // shortest that is looked for everywhere
	envelopeHop  = 0.01   // seconds
	envelopeLow  = 45.0   // dB under the loudest that an envelope reaches down to
	envelopeLike = 0.6    // correlation of levels from which on a stretch is found
	waveLike     = 0.3    // of the wave, which dynamics and filters leave alike
	fineS        = 0.03   // that the levels may be off,
	phaseS       = 0.0004 // and the pulses
	sameWave     = 0.97   // correlation from which on the waves tell more than the pulses
	stepLeastS   = 0.004
	speedLeast   = 0.002 // share; converters are off by less than a tenth of it
)

// align finds the pieces of raw in fin, both at one rate. Phrases are of raw.
// Pauses between two pieces of one lag belong to the first.
func align(raw, fin []float64, rateHz int, phrases []meter.Phrase) ([]piece, Alignment) {
	x, y := voiceOf(raw, rateHz), voiceOf(fin, rateHz)
	ex, ey := envelope(x.wave, rateHz), envelope(y.wave, rateHz)
	var pieces []piece
	var a Alignment
	last := math.MaxInt
	for _, c := range chunks(phrases, rateHz) {
		seconds := c.Len().Seconds(rateHz)
		a.OfS += seconds
		p := piece{Span: c}
		from, to := int(c.From.Seconds(rateHz)/envelopeHop), int(c.To.Seconds(rateHz)/envelopeHop)
		var at int
		if at, p.envelope = bestLag(ex[min(from, len(ex)):min(to, len(ex))], ey, from, last, seconds < leastChunkS); p.envelope < envelopeLike {
			continue
		}
		p.lag = dsp.Frames(math.Round(float64(at) * envelopeHop * float64(rateHz)))
		p.refine(x, y, rateHz)
		pieces = append(pieces, p)
		if seconds >= leastChunkS {
			last = at
		}
	}
	a.SpeedPct = speed(pieces, rateHz)
	if a.SpeedPct != 0 {
		for _, p := range pieces {
			a.FoundS += p.Len().Seconds(rateHz)
		}
		a.round()
		return nil, a
	}
	pieces = slices.DeleteFunc(pieces, func(p piece) bool { return math.Abs(p.likeness) < waveLike })
	a.describe(pieces, rateHz)
	a.round()
	return joined(pieces, len(raw), len(fin), rateHz), a
}

func (a *Alignment) describe(pieces []piece, rateHz int) {
	if len(pieces) == 0 {
		return
	}
	var likes []float64
	against, settled := 0, settled(pieces, rateHz)
	for i := 1; i < len(settled); i++ {
		if d := (settled[i].lag - settled[i-1].lag).Seconds(rateHz); math.Abs(d) > stepLeastS {
			a.Steps++
			a.StepsS += math.Abs(d)
		}
	}
	for _, p := range pieces {
		a.FoundS += p.Len().Seconds(rateHz)
		likes = append(likes, math.Abs(p.likeness))
		if p.likeness < 0 {
			against++
		}
	}
	slices.Sort(likes)
	a.Likeness = likes[len(likes)/2]
	a.Reversed = 2*against > len(pieces)
	a.DelayS = (float64(pieces[0].lag) + pieces[0].fine) / float64(rateHz)
}

// settled are pieces without those that lie apart from both neighbours, which lie as
// each other do: an edit that the next one takes back to the sample is no edit, but
// a piece that was found beside its place.
func settled(pieces []piece, rateHz int) (out []piece) {
	apart := func(a, b piece) bool { return math.Abs((a.lag - b.lag).Seconds(rateHz)) > stepLeastS }
	for i, p := range pieces {
		if i > 0 && i+1 < len(pieces) && apart(p, pieces[i-1]) && apart(p, pieces[i+1]) && !apart(pieces[i-1], pieces[i+1]) {
			continue
		}
		out = append(out, p)
	}
	return out
}

func (a *Alignment) round() {
	a.DelayS = math.Round(a.DelayS*1e5) / 1e5
	for _, v := range []*float64{&a.FoundS, &a.OfS, &a.Likeness, &a.StepsS, &a.SpeedPct} {
		*v = dsp.Round2(*v)
	}
}

// chunks are phrases, cut where they are long.
func chunks(phrases []meter.Phrase, rateHz int) (out []pipeline.Span) {
	for _, p := range phrases {
		n := max(1, int(math.Ceil((p.To-p.From).Seconds(rateHz)/chunkS)))
		step := (p.To - p.From) / dsp.Frames(n)
		for i := range n {
			out = append(out, pipeline.Span{From: p.From + dsp.Frames(i)*step, To: p.From + dsp.Frames(i+1)*step})
		}
	}
	return out
}

// A voice is what of a recording is compared: the middle of its spectrum, which a
// highpass, rumble and the edges of codes leave alone, and its pulses.
type voice struct{ wave, pulses []float64 }

func voiceOf(x []float64, rateHz int) *voice {
	wave := filteredBy(x, rateHz, func(rate float64) ([]kernel.Biquad, error) {
		high, err := filter.Highpass(250, 12, rate)
		if err != nil {
			return nil, err
		}
		low, err := filter.Lowpass(min(3500, 0.4*rate), 12, rate)
		return append(high, low...), err
	})
	return &voice{wave, pulses(wave, rateHz)}
}

// filteredBy is x through a filter; through none where the rate has no room for
// it.
func filteredBy(x []float64, rateHz int, design func(rateHz float64) ([]kernel.Biquad, error)) []float64 {
	sections, err := design(float64(rateHz))
	if err != nil {
		return append([]float64(nil), x...)
	}
	return dsp.NewEngine(0, filter.New(sections)).Whole(x)
}

// envelope is the level each 10 ms, dB, not far under the loudest.
func envelope(x []float64, rateHz int) []float64 {
	hop := envelopeHop * float64(rateHz)
	e := make([]float64, int(float64(len(x))/hop))
	top := math.Inf(-1)
	for i := range e {
		sum := 1e-12
		for _, v := range x[int(float64(i)*hop):int(float64(i+1)*hop)] {
			sum += v * v
		}
		e[i] = 10 * math.Log10(sum/hop)
		top = max(top, e[i])
	}
	for i := range e {
		e[i] = max(e[i], top-envelopeLow)
	}
	return e
}

// bestLag is where c, which stands at frame from of its envelope, is most alike
// in e, and the correlation there; near: not far from the last lag.
func bestLag(c, e []float64, from, last int, near bool) (lag int, best float64) {
	n := len(c)
	lo, hi := 0, len(e)-n
	if near && last != math.MaxInt {
		lo, hi = max(0, from+last-150), min(len(e)-n, from+last+150)
	}
	mean, norm := 0.0, 0.0
	for _, v := range c {
		mean += v / float64(n)
	}
	d := make([]float64, n)
	for i, v := range c {
		d[i] = v - mean
		norm += d[i] * d[i]
	}
	best = -1
	for at := lo; at <= hi; at++ {
		var sum, square, cross float64
		for i, v := range e[at : at+n] {
			sum += v
			square += v * v
			cross += v * d[i]
		}
		rest := square - sum*sum/float64(n)
		if rest <= 0 || norm == 0 {
			continue
		}
		r := cross / math.Sqrt(rest*norm)
		if r > best {
			lag, best = at-from, r
		}
	}
	return lag, best
}

// pulses are how the power of x moves, by sample: where the voice strikes,
// whatever filters did to its phase.
func pulses(x []float64, rateHz int) []float64 {
	y := filteredBy(x, rateHz, func(rate float64) ([]kernel.Biquad, error) { return filter.Highpass(700, 12, rate) })
	for i, v := range y {
		y[i] = v * v
	}
	return filteredBy(y, rateHz, func(rate float64) ([]kernel.Biquad, error) {
		low, err := filter.Lowpass(500, 24, rate)
		if err != nil {
			return nil, err
		}
		high, err := filter.Highpass(20, 12, rate)
		return append(high, low...), err
	})
}

// refine moves the lag to where the strikes of both voices meet, and to a part of
// a frame by their waves, where these are the same.
func (p *piece) refine(x, y *voice, rateHz int) {
	at, _, _ := p.meet(x.pulses, y.pulses, fineS, rateHz, func(v float64) float64 { return v })
	p.lag += dsp.Frames(at)
	at, fine, r := p.meet(x.wave, y.wave, phaseS, rateHz, math.Abs)
	if p.likeness = r; math.Abs(r) >= sameWave {
		p.lag, p.fine = p.lag+dsp.Frames(at), fine
	}
}

// meet is by how many frames more, within a time, y is most like x, and the
// correlation there.
func (p *piece) meet(x, y []float64, withinS float64, rateHz int, size func(float64) float64) (more int, fine, like float64) {
	const block = 1 << 15
	pad := int(withinS * float64(rateHz))
	from := int(p.From) + max(0, (int(p.Len())-(block-2*pad))/2)
	n := min(int(p.To)-from, block-2*pad)
	f, err := spectrum.NewFFT(block)
	if err != nil || n <= 0 {
		return 0, 0, 0
	}
	a, b := make([]float64, block), make([]float64, block)
	var ea float64
	for i := range n {
		a[i] = x[from+i]
		ea += a[i] * a[i]
	}
	for i := range n + 2*pad {
		if at := from + int(p.lag) - pad + i; at >= 0 && at < len(y) {
			b[i] = y[at]
		}
	}
	fa, fb := make([]complex128, block/2+1), make([]complex128, block/2+1)
	f.Forward(fa, a)
	f.Forward(fb, b)
	for k := range fa {
		fb[k] *= cmplx.Conj(fa[k])
	}
	r := make([]float64, block)
	f.Inverse(r, fb)
	at := 0
	for i := range 2*pad + 1 {
		if size(r[i]) > size(r[at]) {
			at = i
		}
	}
	var eb float64
	for i := at; i < at+n; i++ {
		eb += b[i] * b[i]
	}
	if ea > 0 && eb > 0 {
		like = r[at] / math.Sqrt(ea*eb)
	}
	if at > 0 && at < 2*pad {
		l, m, h := size(r[at-1]), size(r[at]), size(r[at+1])
		if curve := l - 2*m + h; curve < 0 {
			fine = (l - h) / (2 * curve)
		}
	}
	return at - pad, fine, like
}

// speed is by how many per cent the finished is faster: its lag runs on within
// pieces and between them, as it doesn't where pauses were edited. It is the
// middle of the slopes between neighbours.
func speed(pieces []piece, rateHz int) float64 {
	var slopes []float64
	for i := 1; i < len(pieces); i++ {
		a, b := pieces[i-1], pieces[i]
		at := float64(b.From+b.To-a.From-a.To) / 2
		slopes = append(slopes, float64(b.lag-a.lag)/at)
	}
	if len(slopes) < 4 {
		return 0
	}
	slices.Sort(slopes)
	mid := slopes[len(slopes)/2]
	low, high := slopes[len(slopes)/4], slopes[len(slopes)*3/4]
	if math.Abs(mid) < speedLeast || low*high <= 0 || high-low > math.Abs(mid) {
		return 0
	}
	// Neighbours tell that it runs on; those far apart, how much (Theil, 1950).
	var far []float64
	for i, a := range pieces {
		for _, b := range pieces[i+1:] {
			far = append(far, float64(b.lag-a.lag)/(float64(b.From+b.To-a.From-a.To)/2))
		}
	}
	return 100 * (1/(1+middleOf(far)) - 1)
}

// joined are pieces with the pauses between those of one lag, and with what lies
// before the first and after the last.
func joined(pieces []piece, rawLen, finLen, rateHz int) (out []piece) {
	edge := dsp.Frames(0.05 * float64(rateHz)) // of a pause beside a cut that is still taken
	for _, p := range pieces {
		if n := len(out); n > 0 {
			before := &out[n-1]
			if d := p.lag - before.lag; math.Abs(d.Seconds(rateHz)) <= stepLeastS/4 && (p.From-before.To).Seconds(rateHz) < 2*chunkS {
				before.To = p.To
				continue
			}
			if room := p.From - before.To; room > 4*edge {
				before.To += edge
				p.From -= edge
			}
		}
		out = append(out, p)
	}
	if n := len(out); n > 0 {
		out[0].From = max(0, -out[0].lag)
		out[n-1].To = min(dsp.Frames(rawLen), dsp.Frames(finLen)-out[n-1].lag)
	}
	for i := range out {
		out[i].From = max(out[i].From, -out[i].lag)
		out[i].To = min(out[i].To, dsp.Frames(finLen)-out[i].lag)
	}
	return slices.DeleteFunc(out, func(p piece) bool { return p.Len() <= 0 })
}

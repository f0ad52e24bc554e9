package check

import (
	"math"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/dsp/spectrum"
)

// How sounds are told from each other, chosen on the tuning voices.
const (
	cepstra        = 12 // coefficients
	cepstraFilters = 24
	cepstraLowHz   = 100
	cepstraHighHz  = 7000
	cepstraUnderDB = 50   // under the speech level: what is quieter does not tell words apart
	frameS         = 0.02 // two spectra

	rereadWindowS = 30.0 // of speech, that are searched
	rereadLeastS  = 0.4  // of a first reading

	nullColumns  = 15   // frames after which paths by chance have their usual cost
	nullRows     = 100  // paths by chance that make a figure
	chancePart   = 0.85 // of the usual cost: a path above that goes nowhere
	laterPart    = 0.70 // the same from laterColumns on
	laterColumns = 40
	endSlack     = 5  // frames at the end of the first reading that may lie behind it
	startSlack   = 4  // frames about a phrase's start
	pauseSlack   = 6  // frames about its end
	goesOn       = 20 // frames without a pause: it goes on
	leastPath    = 15 // frames
	quietFrames  = 5  // in a phrase: an edit may have laid a piece behind them
	quietDB      = 20 // under the speech level
	breathFrames = 30 // at most, that a phrase may begin with and are not its words
)

// A reread is words that were read, and the same words again straight after.
type reread struct {
	from, to dsp.Frames // the first reading
	again    dsp.Frames // where the second begins
	seconds  float64    // of the first, without its pauses
	pauseS   float64    // between the two
	sinceS   float64    // from the first word of the part to the first of the two
	// Costs beside what words by chance cost in this part: 1 is chance, 0 a copy.
	cost    float64
	worst   float64 // of the 0.2 s that differ most
	beforeS float64 // the pause that the first begins after; 0: it begins within a phrase
	goesOn  bool    // where the first stops, the second goes on without a pause
	within  bool    // the second begins within a phrase
}

// apart is how far the two lie from each other, beside chance: a word that differs
// counts as much as a little everywhere. On the tuning voices words by chance came
// to 1.0 and more, parallel lines and lists to 0.75 and more, the same words read
// again to 0.4 to 1.05, copies to 0.75 at most.
func (a reread) apart() float64 { return a.cost + a.worst }

// rereader finds readings that stop and begin again. A query begins where a phrase
// begins, and asks whether what was said from some moment up to the pause before
// it is said from here on once more: all of it, in its order. That parts a
// reading that was taken back from a refrain, which has other words before it,
// and from lines that only begin or end alike. Sounds are mel cepstra, with the
// pauses between phrases left out; they are compared by subsequence warping. What
// a match costs is held against what paths by chance cost in the same part
// (segmental matching: Park and Glass, IEEE Trans. ASLP 16(1), 2008; Jansen and
// Van Durme, ASRU 2011).
type rereader struct {
	rateHz  int
	hop     dsp.Frames // of a spectrum
	phrases []meter.Phrase
	window  int // frames before the query that are searched
	least   int // frames of a first reading

	cepstrum *spectrum.Cepstrum
	floor    float64
	silence  float64 // a power
	heard    int     // spectra
	phrase   int     // the phrase at hand
	half     []float64
	now      []float64
	halves   int
	quiet    int // frames without sound up to now

	frames  []float64    // cepstra from frame first on
	at      []dsp.Frames // where each of them lies
	first   int
	starts  []phraseStart
	queries int // of starts, done

	warp  spectrum.Warp
	costs []float64
	order []float64
	null  []float64 // the usual cost of a path by chance, query by query
	found []reread  // costs as they are, until the part's null is known
	ended bool      // found is what the part has
}

// A phraseStart is where a query begins: a phrase, or what follows a short silence
// in one, where a piece may have been pasted.
type phraseStart struct {
	frame, phrase int
	quiet         int // frames of the silence; 0: a phrase
	breath        int // frames without sound that the phrase begins with
}

// newRereader is for one part, whose checks share it.
func newRereader(p Part) *rereader {
	frames := func(seconds float64) int { return int(math.Round(seconds / frameS)) }
	high := min(cepstraHighHz, 0.45*float64(p.RateHz))
	return &rereader{
		rateHz: p.RateHz, hop: dsp.Frames(p.RateHz+50) / 100, phrases: p.Marks.Phrases,
		window: frames(rereadWindowS), least: frames(rereadLeastS),
		cepstrum: spectrum.NewCepstrum(SpectrumSize(p.RateHz), p.RateHz, cepstraFilters, cepstra, cepstraLowHz, high),
		floor:    kernel.FromPowerDB(max(emptyDB, float64(p.Speech)-cepstraUnderDB)),
		silence:  kernel.FromPowerDB(max(emptyDB, float64(p.Speech)-quietDB)),
		half:     make([]float64, cepstra),
		now:      make([]float64, cepstra),
	}
}

func (r *rereader) hearSpectrum(power []float64) {
	at := dsp.Frames(r.heard) * r.hop
	r.heard++
	for r.phrase < len(r.phrases) && r.phrases[r.phrase].To <= at {
		r.phrase++
		r.halves = 0
	}
	if r.phrase == len(r.phrases) || at < r.phrases[r.phrase].From {
		return
	}
	if r.halves++; r.halves == 1 {
		r.cepstrum.Of(r.half, power, r.floor)
		return
	}
	r.halves = 0
	r.cepstrum.Of(r.now, power, r.floor)
	for i := range r.now {
		r.now[i] = (r.now[i] + r.half[i]) / 2
	}
	r.take(at-r.hop, r.phrase, r.isQuiet(power))
}

// take takes the frame at hand.
func (r *rereader) take(at dsp.Frames, phrase int, quiet bool) {
	if n := len(r.starts); n == 0 || r.starts[n-1].phrase != phrase {
		r.starts = append(r.starts, phraseStart{frame: r.end(), phrase: phrase})
	}
	r.frames = append(r.frames, r.now...)
	if quiet {
		r.quiet++
	} else {
		last := &r.starts[len(r.starts)-1]
		switch since := r.end() - last.frame; {
		case r.quiet >= quietFrames && since > r.quiet:
			r.starts = append(r.starts, phraseStart{frame: r.end(), phrase: phrase, quiet: r.quiet})
		case last.quiet == 0 && since <= min(r.quiet, breathFrames):
			last.breath = since
		}
		r.quiet = 0
	}
	r.at = append(r.at, at)
	if r.queries < len(r.starts) && r.starts[r.queries].frame+r.ahead() <= r.end() {
		r.query()
	}
}

// isQuiet tells whether nothing sounds between 200 and 6000 Hz.
func (r *rereader) isQuiet(power []float64) bool {
	bins := float64(2*(len(power)-1)) / float64(r.rateHz)
	sum := 0.0
	for _, p := range power[int(200*bins):min(int(6000*bins), len(power))] {
		sum += p
	}
	return sum < r.silence
}

// end is the frame to come.
func (r *rereader) end() int { return r.first + len(r.at) }

// ahead is how many frames of the second reading are waited for: a reading of the
// whole window, a fifth slower.
func (r *rereader) ahead() int { return r.window*6/5 + endSlack + goesOn }

// query looks for a first reading before the next phrase start, and forgets what
// no later one needs.
func (r *rereader) query() {
	q := r.starts[r.queries]
	if a, ok := r.match(q); ok {
		r.found = append(r.found, a)
	}
	r.queries++
	next := r.end()
	if r.queries < len(r.starts) {
		next = r.starts[r.queries].frame
	}
	if drop := next - r.window - r.first; drop > len(r.at)/2 {
		r.at = append(r.at[:0], r.at[drop:]...)
		r.frames = append(r.frames[:0], r.frames[drop*cepstra:]...)
		r.first += drop
	}
}

// match is the best match of a query.
func (r *rereader) match(q phraseStart) (best reread, ok bool) {
	from := max(r.first, q.frame-r.window)
	rows := q.frame - q.quiet - from // the silence is no part of the first reading
	if rows < r.least || r.starts[0] == q {
		return best, false
	}
	r.warp.Begin(rows)
	r.costs = slices.Grow(r.costs[:0], rows)[:rows]
	limit, score := math.Inf(1), math.Inf(1)
	for c := range min(r.ahead()-goesOn, r.end()-q.frame) {
		for i := range r.costs {
			r.costs[i] = math.Inf(1)
			if r.warp.Reaches(i) {
				r.costs[i] = r.distance(from+i, q.frame+c)
			}
		}
		if !r.warp.Next(r.costs) {
			break
		}
		columns := c + 1
		if columns == nullColumns {
			limit = chancePart * r.chance(rows)
		}
		if columns == laterColumns {
			limit *= laterPart / chancePart
		}
		if columns >= nullColumns {
			r.warp.Prune(limit)
		}
		if columns < leastPath {
			continue
		}
		for i := max(0, rows-endSlack); i < rows; i++ {
			start, cost, worst := r.warp.At(i)
			// Of two matches the longer, unless it costs more than chance explains.
			if s := cost * (1 + 10/float64(columns)); s < score && rows-start >= r.least {
				score, ok = s, true
				best = r.reread(q, from+start, columns)
				best.cost, best.worst = cost, worst
			}
		}
	}
	return best, ok
}

// chance is the usual cost of paths of nullColumns that end where a first reading
// can't.
func (r *rereader) chance(rows int) float64 {
	r.order = r.order[:0]
	for i := 2 * nullColumns; i < rows-4*endSlack; i++ {
		if _, cost, _ := r.warp.At(i); !math.IsInf(cost, 1) {
			r.order = append(r.order, cost)
		}
	}
	if len(r.order) >= nullRows {
		slices.Sort(r.order)
		r.null = append(r.null, r.order[len(r.order)/2])
	} else if len(r.null) == 0 {
		return math.Inf(1)
	}
	return r.null[len(r.null)-1]
}

// distance is how far two frames lie from each other.
func (r *rereader) distance(a, b int) float64 {
	x := r.frames[(a-r.first)*cepstra:][:cepstra]
	y := r.frames[(b-r.first)*cepstra:][:cepstra]
	sum := 0.0
	for i, v := range x {
		d := v - y[i]
		sum += float64(d * d)
	}
	return math.Sqrt(sum)
}

// reread is where a first reading from frame from lies whose second takes so many
// frames. It begins with a phrase where it begins about there, and not in the end
// of the phrase before.
func (r *rereader) reread(q phraseStart, from, columns int) reread {
	var a reread
	stop, begin := q.frame+columns, from
	a.goesOn = stop < r.end()-goesOn
	for k := len(r.starts) - 1; k >= 0 && r.starts[k].frame+r.starts[k].breath >= from-startSlack; k-- {
		s := r.starts[k].frame
		if r.starts[k].quiet > 0 {
			continue
		}
		if s <= from+startSlack {
			begin, a.beforeS = max(s, r.first, min(from, s+r.starts[k].breath)), math.Inf(1)
			if n := r.starts[k].phrase; n > 0 {
				a.beforeS = (r.phrases[n].From - r.phrases[n-1].To).Seconds(r.rateHz)
			}
		}
		a.goesOn = a.goesOn && (s < stop-pauseSlack || s > stop+goesOn)
	}
	a.from, a.again = r.at[begin-r.first], r.phrases[q.phrase].From
	if a.within = q.quiet > 0; a.within {
		a.to, a.again = r.at[q.frame-q.quiet-r.first], r.at[q.frame-r.first]
	} else {
		a.to = r.phrases[q.phrase-1].To
	}
	a.seconds, a.pauseS = frameS*float64(q.frame-q.quiet-begin), (a.again - a.to).Seconds(r.rateHz)
	a.sinceS = (a.from - r.phrases[0].From).Seconds(r.rateHz)
	return a
}

// rereads ends the part: what was read again, costs beside the part's null.
func (r *rereader) rereads() []reread {
	if r.ended {
		return r.found
	}
	r.ended = true
	for r.queries < len(r.starts) {
		r.query()
	}
	if len(r.null) == 0 {
		r.found = nil // too short to know what chance is
		return nil
	}
	slices.Sort(r.null)
	usual := r.null[len(r.null)/2]
	for i := range r.found {
		r.found[i].cost /= usual
		r.found[i].worst /= usual
	}
	return r.found
}

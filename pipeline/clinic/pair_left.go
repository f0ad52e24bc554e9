package clinic

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// match says what was found: the chain, its reasons, and what is left.
func (f *fitter) match(c candidate, lie Alignment, pieces []piece, fin []float64, finished *Read) (Match, error) {
	m := Match{Alignment: lie, GainDB: dsp.DB(dsp.Round2(c.gain.at))}
	s := f.sight()
	var steps []step
	for _, mod := range c.modules {
		steps = append(steps, f.explained(mod.now().rounded(), s))
	}
	var err error
	m.Draft, err = likeDraft("turns the raw read into the finished one, as nearly as our stages can", f.r.Form, steps)
	if err != nil {
		return m, err
	}
	y, err := f.r.Through(m.Draft.Chain.Stages, likeReference, nil)
	if err != nil {
		return m, err
	}
	got, long := f.g.listen(f.g.cut(y), f.hands[0].frames, f.hands[0].long)
	l := leftover{fitter: f, s: s, got: got, gain: c.gain.at}
	m.Left = l.distances()
	m.Unexplained = append(l.edits(lie), l.unexplained(long, finished)...)
	if why := likenessLeft(f.r, y, fin, pieces, f.r.RateHz); why != "" {
		m.Unexplained = append(m.Unexplained, why)
	}
	m.Confidence, m.Why = l.confidence(lie, len(m.Unexplained))
	return m, nil
}

// likeDraft is the draft of steps; none are written as a gain of nothing, for a
// chain has a stage.
func likeDraft(does string, form Form, steps []step) (Draft, error) {
	if len(steps) == 0 {
		steps = []step{{stage: "gain", params: fields{{"gain_db", 0.0}}, why: "nothing was found that a stage does"}}
	}
	return draft("like", does, form, likeReference, steps)
}

// A leftover is what a draft's output and the finished differ by.
type leftover struct {
	*fitter
	s    sighting
	got  [][]float64 // levels of the draft's output
	gain float64
}

// at is the difference in a cell, dB, and whether there is something to differ.
func (l leftover) at(i, b int) (float64, bool) {
	return l.g.levels[i][b] - l.got[i][b] - l.gain, l.g.levels[i][b] >= pairNilDB
}

// of is the distance in frames and bands.
func (l leftover) of(d Distance, frames func(i int) bool, bands func(b int) bool) Distance {
	var sum, square, n float64
	for i := range l.got {
		if !frames(i) {
			continue
		}
		d.Frames++
		for b := range l.got[i] {
			if x, ok := l.at(i, b); ok && bands(b) {
				sum, square, n = sum+x, square+x*x, n+1
			}
		}
	}
	if n > 0 {
		d.MeanDB, d.RMSDB = dsp.DB(dsp.Round2(sum/n)), dsp.DB(dsp.Round2(math.Sqrt(square/n)))
	}
	return d
}

func every(int) bool { return true }

// distances are what is left by third octave of speech, by level of speech, and
// in pauses.
func (l leftover) distances() (all []Distance) {
	add := func(d Distance) {
		if d.Frames > 0 {
			all = append(all, d)
		}
	}
	speech := func(i int) bool { return l.g.speech[i] }
	for b, band := range l.g.band {
		add(l.of(Distance{Hz: math.Round(band.Mid)}, speech, func(k int) bool { return k == b }))
	}
	for level := -51.0; level < 0; level += 6 {
		add(l.of(Distance{LevelDBFS: dsp.DBFS(level)}, func(i int) bool { return speech(i) && math.Abs(l.s.wide[i]-level) <= 3 }, every))
	}
	add(l.of(Distance{Pauses: true}, func(i int) bool { return !speech(i) }, every))
	return all
}

const (
	sureDB    = 0.5 // RMS that is left of speech
	likelyDB  = 1.5
	tailFromS = 0.08 // behind a phrase, where a room that was added rings
	tailToS   = 0.35
	tailDB    = 1.5
	pauseDB   = 2.0
	topDB     = 10.0
	waveLost  = 0.3 // share of power that is not the same wave
)

func (l leftover) confidence(lie Alignment, unexplained int) (Confidence, string) {
	d := l.of(Distance{}, func(i int) bool { return l.g.speech[i] }, every)
	why := fmt.Sprintf("%.0f of %.0f s of the raw's speech were found in the finished; the chain's output lies %.1f dB from it (RMS of 46 ms and third octaves)", lie.FoundS, lie.OfS, d.RMSDB)
	switch {
	case float64(d.RMSDB) <= sureDB && unexplained == 0:
		return Sure, why
	case float64(d.RMSDB) <= likelyDB:
		return Likely, why
	}
	return Unsure, why
}

// edits says what was cut.
func (l leftover) edits(lie Alignment) (says []string) {
	if lie.Reversed {
		says = append(says, "its polarity is reversed: no stage turns it, and nobody hears it alone")
	}
	if lost := lie.OfS - lie.FoundS; lost > max(1.5, 0.03*lie.OfS) {
		says = append(says, fmt.Sprintf("%.1f of %.0f s of the raw's speech are not in the finished: they were cut, or are of another take", lost, lie.OfS))
	}
	if lie.Steps > 0 {
		says = append(says, fmt.Sprintf("its pauses were edited in %s, by %.2f s in all", plural(lie.Steps, "place", "places"), lie.StepsS))
	}
	return says
}

// unexplained says what is left that has a name.
func (l leftover) unexplained(long []float64, finished *Read) (says []string) {
	tails := l.of(Distance{}, func(i int) bool { return l.behind(i, tailFromS, tailToS) }, l.voiceBands)
	pauses := l.of(Distance{}, func(i int) bool { return l.g.tone[i] }, every)
	switch {
	case tails.Frames > leastFrames/2 && float64(tails.MeanDB-max(0, pauses.MeanDB)) > tailDB:
		says = append(says, fmt.Sprintf("behind phrases it is %.1f dB louder than the chain leaves it: reverberation was added", tails.MeanDB))
	case pauses.Frames > leastFrames/2 && float64(pauses.MeanDB) > pauseDB:
		says = append(says, fmt.Sprintf("its pauses are %.1f dB louder than the chain leaves them: noise or another room tone was added", pauses.MeanDB))
	}
	if pauses.Frames > leastFrames/2 && float64(pauses.MeanDB) < -pauseDB {
		says = append(says, fmt.Sprintf("its pauses are %.1f dB softer than the chain leaves them: its noise was taken in another way than by an expander", -pauses.MeanDB))
	} else if pauses.Frames > leastFrames/2 && float64(pauses.RMSDB) > 2*pauseDB && math.Abs(float64(pauses.MeanDB)) <= pauseDB {
		says = append(says, fmt.Sprintf("its pauses differ by %.1f dB RMS from moment to moment: their noise was taken in another way, or replaced", pauses.RMSDB))
	}
	if hz := l.cliff(long); hz > 0 {
		says = append(says, fmt.Sprintf("there is nothing over %.1f kHz, where the raw has something: a lossy code or a lower rate was used", hz/1000))
	}
	for _, name := range []string{"once-lossy", "clipped"} {
		if heardIn(finished.Findings, name) && !heardIn(l.r.Findings, name) {
			says = append(says, map[string]string{"once-lossy": "it was once coded with loss: no stage does that", "clipped": "it is clipped, which the raw isn't"}[name])
		}
	}
	return says
}

func heardIn(all []pipeline.Finding, check string) bool {
	for _, f := range all {
		if f.Check == check && f.Weight != pipeline.Ready { // a notice may be of a converter
			return true
		}
	}
	return false
}

// voiceBands are third octaves that a room rings in and where a voice is.
func (l leftover) voiceBands(b int) bool { return l.g.band[b].Mid > 240 && l.g.band[b].Mid < 4200 }

// behind tells whether a frame begins within seconds after the end of a phrase
// and before the next.
func (l leftover) behind(i int, fromS, toS float64) bool {
	if l.g.speech[i] {
		return false
	}
	s := l.g.at[i]
	at := l.g.spans[s.stretch].From + dsp.Frames(s.at)
	rate := l.g.rateHz
	n := dsp.Frames(l.hands[0].frames.size())
	for k, p := range l.r.Marks.Phrases {
		if k+1 < len(l.r.Marks.Phrases) && at+n > l.r.Marks.Phrases[k+1].From {
			continue
		}
		if d := (at - p.To).Seconds(rate); d >= fromS-0.05 && d <= toS {
			return true
		}
	}
	return false
}

// cliff is the frequency over which the finished has next to nothing and the
// draft's output has something; 0: there is none.
func (l leftover) cliff(long []float64) float64 {
	hz := 0.0
	for b := len(l.g.long) - 1; b >= 0; b-- {
		if l.g.longDB[b]-long[b]-l.gain > -topDB {
			break
		}
		hz = l.g.long[b].Lower
	}
	return hz
}

// misaligned says why two recordings can't be laid beside each other.
func misaligned(a Alignment) []string {
	if a.SpeedPct != 0 {
		word := "faster"
		if a.SpeedPct < 0 {
			word = "slower"
		}
		return []string{fmt.Sprintf("the finished runs %.1f %% %s than the raw: no stage changes time or pitch", math.Abs(a.SpeedPct), word)}
	}
	return []string{fmt.Sprintf("only %.0f of %.0f s of the raw's speech were found in the finished: it is another take, or much edited", a.FoundS, a.OfS)}
}

// likenessLeft compares the draft's output with the finished as waves, phrase by
// phrase: what is louder or softer alone is the same wave; what rings, or was
// made anew, isn't.
func likenessLeft(r *Read, y, fin []float64, pieces []piece, rateHz int) string {
	a, b := voiceOf(y, rateHz), voiceOf(fin, rateHz)
	var lost []float64
	for _, p := range pieces {
		for _, c := range chunks(r.Marks.Phrases, rateHz) {
			if c.From < p.From || c.To > p.To {
				continue
			}
			q := piece{Span: c, lag: p.lag}
			q.refine(a, b, rateHz)
			lost = append(lost, 1-q.likeness*q.likeness)
		}
	}
	if len(lost) == 0 {
		return ""
	}
	if share := middleOf(lost); share > waveLost {
		return fmt.Sprintf("%.0f %% of its power from 250 Hz to 3.5 kHz is not the wave that the chain gives: something was added to it, or it was made anew", 100*share)
	}
	return ""
}

package clinic

import (
	"cmp"
	"fmt"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// What a test read should hold. Lengths are common practice, the distances of
// lines were chosen on the tuning voices.
const (
	shortestS, longestS = 60.0, 300.0
	toneWantedS         = 10.0 // of room tone in one piece
	toneGapS            = 1.1  // a click, for which up to two windows are left out
	pageWantedS         = 30.0
	pageGapS            = 4.0 // a longer pause ends the page
	quietUnderDB        = 5.5 // under the page
	quietS              = 1.5
	loudOverDB          = 4.0
	loudS               = 1.0
)

// placesOf finds the quiet line, the page, the loud line and the room tone.
// Phrases count as quiet or loud against the middle one, by time.
func placesOf(r *Read, phrases []meter.Phrase) (p Places) {
	p.RoomTone = tones(r)
	usual := usualLevel(phrases)
	p.Quiet = line(phrases, r.RateHz, quietS, func(level float64) float64 { return usual - quietUnderDB - level })
	p.Loud = line(phrases, r.RateHz, loudS, func(level float64) float64 { return level - usual - loudOverDB })
	var pageS float64
	p.Page, pageS = pageOf(phrases, r.RateHz, p.Quiet, p.Loud)
	p.Missing = missing(r, p, pageS)
	return p
}

// weighted are the phrases with their level A-weighted: a raised voice has more
// above 1 kHz, and where a room or a microphone lifts the lows that alone tells it.
func weighted(r *Read) []meter.Phrase {
	x := append([]float64(nil), r.x...)
	for len(x)%8 != 0 {
		x = append(x, 0)
	}
	kernel.NewCascade(meter.AWeighting(float64(r.RateHz))).Process(x)
	out := slices.Clone(r.Marks.Phrases)
	for i, p := range out {
		out[i].Level = dsp.DBFS(decibelsRMS(x[p.From:p.To]))
	}
	return out
}

// tones are stretches of room tone, the longest first: windows that follow each
// other with neither a phrase nor a breath between, clicks taken along.
func tones(r *Read) (out []pipeline.Span) {
	gap := dsp.FramesIn(toneGapS, r.RateHz)
	taken := func(from, to dsp.Frames) bool {
		return slices.ContainsFunc(r.Marks.Phrases, func(p meter.Phrase) bool { return p.From < to && p.To > from }) ||
			slices.ContainsFunc(r.Marks.Breaths, func(w meter.Window) bool { return w.From < to && w.To > from })
	}
	for _, w := range r.Room.Tone {
		if n := len(out); n > 0 && w.From-out[n-1].To <= gap && !taken(out[n-1].To, w.From) {
			out[n-1].To = w.To
			continue
		}
		out = append(out, pipeline.Span{From: w.From, To: w.To})
	}
	slices.SortStableFunc(out, func(a, b pipeline.Span) int { return cmp.Compare(b.Len(), a.Len()) })
	return out
}

// usualLevel is the level that half of the speaking time is under, dBFS.
func usualLevel(phrases []meter.Phrase) float64 {
	byLevel := slices.Clone(phrases)
	slices.SortStableFunc(byLevel, func(a, b meter.Phrase) int { return cmp.Compare(a.Level, b.Level) })
	var all, sum dsp.Frames
	for _, p := range byLevel {
		all += p.To - p.From
	}
	for _, p := range byLevel {
		if sum += p.To - p.From; 2*sum >= all {
			return float64(p.Level)
		}
	}
	return dsp.Silence
}

// line is the run of neighbouring phrases that lies farthest beyond a level, in
// decibels times seconds, of so many seconds at least; empty where there is none.
func line(phrases []meter.Phrase, rateHz int, leastS float64, beyond func(levelDBFS float64) float64) (best pipeline.Span) {
	most := 0.0
	for i := 0; i < len(phrases); i++ {
		seconds, weight, from := 0.0, 0.0, phrases[i].From
		for ; i < len(phrases) && beyond(float64(phrases[i].Level)) >= 0; i++ {
			s := (phrases[i].To - phrases[i].From).Seconds(rateHz)
			seconds, weight = seconds+s, weight+s*(1+beyond(float64(phrases[i].Level)))
			if seconds >= leastS && weight > most {
				most, best = weight, pipeline.Span{From: from, To: phrases[i].To}
			}
		}
	}
	return best
}

// pageOf is the longest reading beside the two lines, and how long is spoken in
// it.
func pageOf(phrases []meter.Phrase, rateHz int, lines ...pipeline.Span) (best pipeline.Span, bestS float64) {
	other := func(p meter.Phrase) bool {
		return slices.ContainsFunc(lines, func(s pipeline.Span) bool { return p.From < s.To && p.To > s.From })
	}
	gap := dsp.FramesIn(pageGapS, rateHz)
	for i := 0; i < len(phrases); {
		if other(phrases[i]) {
			i++
			continue
		}
		now, seconds := pipeline.Span{From: phrases[i].From, To: phrases[i].To}, 0.0
		for ; i < len(phrases) && phrases[i].From-now.To <= gap && !other(phrases[i]); i++ {
			now.To = phrases[i].To
			seconds += (phrases[i].To - phrases[i].From).Seconds(rateHz)
		}
		if seconds > bestS {
			best, bestS = now, seconds
		}
	}
	return best, bestS
}

// missing says of each thing that a test read should hold and this one does not
// what is unsure without it.
func missing(r *Read, p Places, pageS float64) (out []string) {
	if r.SecondsS < shortestS {
		out = append(out, fmt.Sprintf("the read is %.0f s long, and %.0f s to %.0f min tell most: rates by the minute, pauses and spread are unsure", r.SecondsS, shortestS, longestS/60))
	}
	if r.SecondsS > longestS {
		out = append(out, fmt.Sprintf("the read is %.1f min long, and %.0f min are enough: what is said is of all of it, and changes on the way even out", r.SecondsS/60, longestS/60))
	}
	if s := longestOf(p.RoomTone).Len().Seconds(r.RateHz); s < toneWantedS {
		all := 0.0
		for _, w := range p.RoomTone {
			all += w.Len().Seconds(r.RateHz)
		}
		out = append(out, fmt.Sprintf("no room tone of %.0f s in one piece (%.0f s between words in all): booth resonances show in room tone, hardly in speech, so they are unsure, and so is the kind of noise", toneWantedS, all))
	}
	if pageS < pageWantedS {
		out = append(out, fmt.Sprintf("no page of %.0f s at one's usual level (%.0f s): the voice's spectrum, esses and spread are unsure", pageWantedS, pageS))
	}
	if p.Quiet.Len() == 0 {
		out = append(out, "no quiet line: whether the softest words stand out of the noise is told from the page alone, and is unsure")
	}
	if p.Loud.Len() == 0 {
		out = append(out, "no loud line: how much room there is for one is a guess from the page")
	}
	return out
}

// longestOf is the first of spans that lie in the order of their lengths.
func longestOf(spans []pipeline.Span) pipeline.Span {
	if len(spans) == 0 {
		return pipeline.Span{}
	}
	return spans[0]
}

// whole tells whether everything that a test read should hold is there.
func (p Places) whole() bool { return len(p.Missing) == 0 }

package split

import (
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// lastShare is the part of a limit in whose end a cut is looked for.
const lastShare = 0.15

// Limit is the longest that a file may be: the tightest of a run's specs.
type Limit struct {
	Spec    string
	Minutes float64
	BodyS   float64 // of them without head and tail
}

// LimitOf is the tightest limit of specs; ok is false where none has one.
func LimitOf(specs []pipeline.Spec) (l Limit, ok bool) {
	for _, s := range specs {
		body := 60*s.Limits.MaxMinutes - s.Sound.Edges.HeadAimS - s.Sound.Edges.TailAimS
		if s.Limits.MaxMinutes > 0 && (!ok || body < l.BodyS) {
			l, ok = Limit{s.Spec, s.Limits.MaxMinutes, body}, true
		}
	}
	return l, ok
}

// Length is a chapter's, seconds; rates are its parts' sources'.
func Length(c pipeline.Chapter, rates []int) (s float64) {
	for i, p := range c.Parts {
		s += p.Span.Len().Seconds(rates[i])
		if i > 0 {
			s += p.Join.PauseS
		}
	}
	return s
}

// pause is one in a chapter's time, seconds from its start.
type pause struct{ from, to float64 }

func (p pause) middle() float64 { return (p.from + p.to) / 2 }

// Over cuts a chapter that is longer than a limit, each time at the longest
// pause in the last 15 % before it. pauses are each part's, in frames of its
// source. Every cut is a finding (listen). why is set where a stretch has no
// pause to be cut at: then the chapter can't be made.
func Over(c pipeline.Chapter, rates []int, pauses [][]pipeline.Span, l Limit) (out []pipeline.Chapter, findings [][]pipeline.Finding, why string) {
	all := inChapter(c, rates, pauses)
	length := Length(c, rates)
	var cuts []pause
	for start := 0.0; length-start > l.BodyS; start = cuts[len(cuts)-1].middle() {
		best, found := pause{}, false
		for _, p := range all {
			if m := p.middle(); m >= start+(1-lastShare)*l.BodyS && m <= start+l.BodyS && (!found || p.to-p.from > best.to-best.from) {
				best, found = p, true
			}
		}
		if !found {
			return nil, nil, fmt.Sprintf("is %.1f min long, %s takes %g min, and nobody pauses between %.1f and %.1f min to be cut there; split it in title.yaml with from_s and to_s",
				length/60, l.Spec, l.Minutes, (start+(1-lastShare)*l.BodyS)/60, (start+l.BodyS)/60)
		}
		cuts = append(cuts, best)
	}
	from := 0.0
	for i := range len(cuts) + 1 {
		to := length
		if i < len(cuts) {
			to = cuts[i].middle()
		}
		piece := c
		piece.Name = fmt.Sprintf("%s (%d)", c.Name, i+1)
		piece.Number = c.Number + i
		if len(cuts) > 0 {
			piece.Text = nil // how much of it falls to each piece is not known
		}
		piece.Parts = between(c, rates, from, to)
		var found []pipeline.Finding
		if i < len(cuts) {
			last := piece.Parts[len(piece.Parts)-1]
			at := dsp.Round2(last.Span.To.Seconds(rateOf(c, rates, last.Source)))
			found = append(found, pipeline.Finding{
				Check: "split", Source: last.Source, Path: last.Path, StartS: at, EndS: at, Weight: pipeline.Listen,
				Measured: fmt.Sprintf("cut in a pause of %.1f s", cuts[i].to-cuts[i].from), Limit: fmt.Sprintf("%g min (%s)", l.Minutes, l.Spec),
				Do: "listen whether the story bears the cut; else split the chapter in title.yaml with from_s and to_s",
			})
		}
		out, findings = append(out, piece), append(findings, found)
		from = to
	}
	return out, findings, ""
}

func rateOf(c pipeline.Chapter, rates []int, source pipeline.Digest) int {
	for i, p := range c.Parts {
		if p.Source == source {
			return rates[i]
		}
	}
	return rates[0]
}

// inChapter is all pauses in the chapter's time: those of the parts, and those
// that are laid between two.
func inChapter(c pipeline.Chapter, rates []int, pauses [][]pipeline.Span) (all []pause) {
	at := 0.0
	for i, p := range c.Parts {
		if i > 0 && p.Join.PauseS > 0 {
			all = append(all, pause{at, at + p.Join.PauseS})
			at += p.Join.PauseS
		}
		for _, s := range pauses[i] {
			from, to := max(s.From, p.Span.From), min(s.To, p.Span.To)
			if to > from {
				all = append(all, pause{at + (from - p.Span.From).Seconds(rates[i]), at + (to - p.Span.From).Seconds(rates[i])})
			}
		}
		at += p.Span.Len().Seconds(rates[i])
	}
	return all
}

// between is a chapter's edit list from one time to another.
func between(c pipeline.Chapter, rates []int, fromS, toS float64) (parts []pipeline.Part) {
	at := 0.0
	for i, p := range c.Parts {
		if i > 0 {
			at += p.Join.PauseS
		}
		length := p.Span.Len().Seconds(rates[i])
		from, to := max(0, fromS-at), min(length, toS-at)
		at += length
		if to <= from {
			continue
		}
		one := p
		one.Span = pipeline.Span{From: p.Span.From + dsp.FramesIn(from, rates[i]), To: p.Span.From + dsp.FramesIn(to, rates[i])}
		if to == length {
			one.Span.To = p.Span.To
		}
		if len(parts) == 0 {
			one.Join = pipeline.Join{}
		}
		if one.Span.Len() > 0 {
			parts = append(parts, one)
		}
	}
	return parts
}

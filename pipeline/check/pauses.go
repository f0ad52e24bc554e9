package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/kernel"
	"chapterhouse/pipeline"
)

// A pause is long where a narrator makes one in 10,000 so long, by the spread that
// the title's pauses have, and pauseMoreS longer than 95 % of them at least: a
// scene's break in a book that has them is usual, an edit that was forgotten is not.
// Pauses between sentences are log-normal (Campione and Véronis, Speech Prosody
// 2002), so their median and 95th percentile say how often each length comes.
const (
	pauseTail    = 3.719 // that far from its mean a normal number lies once in 10,000
	highTail     = 1.645 // and by 5 %
	pauseTimes   = 2.0   // what 95 % stay under is long in any case: a few gaps make a spread of their own
	pauseMoreS   = 1.5
	pauseCount   = 20  // pauses that show a habit
	headingOffS  = 1.0 // that the pause after a heading may lie from the others', whatever their spread
	headingLoudS = 2.0 // more than that is heard at once
)

func pauses() Check {
	return Check{
		Name: "pauses",
		Doc: "A pause inside the text is longer than one in 10,000 of this narrator's is, by the median and the spread of their pauses in the title, or than twice what 95 % of them stay under, and 1.5 s longer than that at least; or the " +
			"pause after a chapter's heading lies more than a second from that of the other chapters (five at least). " +
			"Close the gap, or leave it where the story wants it.",
		Read: func(t Title, chapter int) (out []pipeline.Finding) {
			ch := t.Chapters[chapter]
			if ch.Role == pipeline.RoleAsset {
				return nil
			}
			for i, p := range ch.Parts {
				limit, ok := longPause(t, p)
				for _, long := range p.Longest {
					s := long.Len().Seconds(p.Profile.Cut.SourceRateHz)
					if !ok || s <= limit {
						continue
					}
					out = append(out, place(p, long, pipeline.Finding{
						Measured: fmt.Sprintf("%.1f s of pause", s), Limit: fmt.Sprintf("%.1f s", limit), Weight: pipeline.Listen,
						Value: dsp.Round2(s), LimitValue: dsp.Round2(limit), Unit: "s",
						Do: "listen whether the story wants it; shorten it otherwise, and look for words that were cut with it",
					}))
				}
				if i == 0 && ch.Role == pipeline.RoleChapter {
					out = append(out, afterHeading(t, chapter, p)...)
				}
			}
			return out
		},
	}
}

// place puts a finding to a stretch of a part's source.
func place(p pipeline.PartOutcome, at pipeline.Span, f pipeline.Finding) pipeline.Finding {
	rate := p.Profile.Cut.SourceRateHz
	f.Source, f.Path = p.Source, p.Path
	f.StartS, f.EndS = dsp.Round2(at.From.Seconds(rate)), dsp.Round2(at.To.Seconds(rate))
	return f
}

// longPause is how long a pause of a narrator may be, by their habit over the
// title.
func longPause(t Title, p pipeline.PartOutcome) (s float64, ok bool) {
	var middles, highs []float64
	count := 0
	for _, ch := range t.Chapters {
		for _, q := range ch.Parts {
			if q.Voice.Narrator == p.Voice.Narrator && q.Likeness.Pauses.Count > 0 {
				middles, highs = append(middles, q.Likeness.Pauses.MedianS), append(highs, q.Likeness.Pauses.HighS)
				count += q.Likeness.Pauses.Count
			}
		}
	}
	if count < pauseCount {
		return 0, false
	}
	middle, high := median(middles), median(highs)
	rare := middle * kernel.Pow(high/middle, pauseTail/highTail)
	return max(min(rare, pauseTimes*high), high+pauseMoreS), true
}

// afterHeading is what the first pause of a chapter says beside the others'.
func afterHeading(t Title, chapter int, p pipeline.PartOutcome) []pipeline.Finding {
	var others []float64
	for i, ch := range t.Chapters {
		if i != chapter && ch.Role == pipeline.RoleChapter && len(ch.Parts) > 0 && ch.Parts[0].Voice.Narrator == p.Voice.Narrator {
			others = append(others, measured(ch.Parts[0].Likeness.Pauses.HeadingS))
		}
	}
	is := p.Likeness.Pauses.HeadingS
	middle, off, ok := usualOf(others, headingOffS)
	d := is - middle
	if !ok || is == 0 || math.Abs(d) <= off {
		return nil
	}
	f := pipeline.Finding{
		Measured: fmt.Sprintf("%.1f s after the heading, %.1f s in the other chapters", is, middle), Limit: fmt.Sprintf("±%.1f s", off),
		Do: "nothing, unless headings should be followed by one pause throughout", Weight: pipeline.Ready,
	}
	if math.Abs(d) > max(off, headingLoudS) {
		f.Weight, f.Do = pipeline.Listen, "listen to the heading: set its pause to that of the other chapters"
	}
	from := p.Spoken().From
	return []pipeline.Finding{place(p, pipeline.Span{From: from, To: from + dsp.FramesIn(is, p.Profile.Cut.SourceRateHz)}, f)}
}

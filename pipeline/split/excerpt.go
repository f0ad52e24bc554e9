package split

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// Common practice: receivers ask for an excerpt of one to five minutes. The
// bounds here leave room for what the pauses at its ends and the file's head and
// tail make of its length.
const (
	leastExcerptS = 70.0
	mostExcerptS  = 290.0
	aimExcerptS   = 180.0
	// nearExcerptS is how much nearer to the aim a later stretch must lie to be
	// taken instead of an earlier one.
	nearExcerptS = 30.0
)

// Excerpt proposes a stretch of a title to be heard by itself: one to five
// minutes of one chapter's part, about three, from the middle of a pause to the
// middle of another, with nothing in it that asks for an ear and was not
// accepted. It never begins with the chapter's first word, which is its number
// or name. Of several as near to three minutes the earliest is taken. pauses are
// each chapter's, part by part, in frames of the source. nil: there is none.
func Excerpt(chapters []pipeline.ChapterOutcome, pauses [][][]pipeline.Span) *pipeline.Excerpt {
	var best *pipeline.Excerpt
	fewest := math.Inf(1)
	for i, ch := range chapters {
		if ch.Role != pipeline.RoleChapter || ch.Hole != "" || len(ch.Files) == 0 || blamed(ch) {
			continue
		}
		for j, part := range ch.Parts {
			rate := part.Profile.Cut.SourceRateHz
			if j >= len(pauses[i]) || rate <= 0 {
				continue
			}
			from, to, steps := stretchOf(part, middles(pauses[i][j], part.Span, rate), ch.Findings)
			if steps < fewest {
				fewest = steps
				best = &pipeline.Excerpt{
					Chapter: ch.Number, Name: ch.Name, File: part.Path, FromS: from, ToS: to,
					Narrator: part.Voice.Narrator, Setup: part.Voice.Setup, Session: part.Voice.Session,
				}
			}
		}
	}
	return best
}

// blamed tells whether something is said of a chapter as a whole that asks for
// an ear.
func blamed(ch pipeline.ChapterOutcome) bool {
	for _, f := range ch.Findings {
		if asks(f) && f.Source == "" {
			return true
		}
	}
	return false
}

func asks(f pipeline.Finding) bool { return f.Weight != pipeline.Ready && f.Accepted == "" }

// middles are the middles of the pauses inside a span, in seconds of the source
// and whole hundredths, so that title.yaml can say them. The pause that a span
// starts with is none of them.
func middles(pauses []pipeline.Span, span pipeline.Span, rateHz int) (at []float64) {
	for _, p := range pauses {
		if p.From > span.From && p.To <= span.To {
			at = append(at, dsp.Round2((p.From + p.Len()/2).Seconds(rateHz)))
		}
	}
	return at
}

// stretchOf is the best stretch between two of the places, which are in order,
// and how many steps of nearExcerptS it is from the aim; +Inf where there is none.
func stretchOf(part pipeline.PartOutcome, places []float64, found []pipeline.Finding) (fromS, toS, steps float64) {
	steps = math.Inf(1)
	for i, from := range places {
		until := min(from+mostExcerptS, clearUntil(part, from, found))
		for _, to := range places[i+1:] {
			if to > until {
				break
			}
			off := math.Abs(to - from - aimExcerptS)
			s := math.Round(off / nearExcerptS)
			switch {
			case to-from < leastExcerptS:
			case s < steps || s == steps && from == fromS && off < math.Abs(toS-fromS-aimExcerptS):
				fromS, toS, steps = from, to, s
			}
		}
	}
	return fromS, toS, steps
}

// clearUntil is where the first thing after a place begins that asks for an
// ear; what goes on over the place begins there.
func clearUntil(part pipeline.PartOutcome, fromS float64, found []pipeline.Finding) float64 {
	until := math.Inf(1)
	for _, f := range found {
		switch {
		case !asks(f) || f.Source != part.Source:
		case f.StartS == 0 && f.EndS == 0: // all of it
			return fromS
		case max(f.StartS, f.EndS) >= fromS:
			until = min(until, max(f.StartS, fromS))
		}
	}
	return until
}

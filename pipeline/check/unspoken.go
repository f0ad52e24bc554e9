package check

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// whisperS is how long a phrase within a pause lasts at least for it to be words.
const whisperS = 0.3

// Unspoken is what of a part's pauses has so many seconds without a word. Pauses
// are told by their level, so that a line whispered not far above the room lies
// in one; the marks know it as a phrase.
func (p Part) Unspoken(pauses []meter.Window, leastS float64) []pipeline.Span {
	out := []pipeline.Span{}
	add := func(from, to dsp.Frames) {
		if (to - from).Seconds(p.RateHz) >= leastS {
			out = append(out, pipeline.Span{From: from, To: to})
		}
	}
	phrases := p.Marks.Phrases
	for _, w := range pauses {
		from := w.From
		for len(phrases) > 0 && phrases[0].From < w.To {
			h := phrases[0]
			if h.To > w.To {
				break
			}
			if h.From > from && (h.To-h.From).Seconds(p.RateHz) >= whisperS {
				add(from, h.From)
				from = h.To
			}
			phrases = phrases[1:]
		}
		add(from, w.To)
	}
	return out
}

package check

import (
	"fmt"
	"math"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

const (
	manuscriptOff   = 0.08 // of the expected length
	manuscriptLeast = 3    // other chapters with a text, that say how long the narrator takes for a syllable
	// manuscriptPace is how far a chapter's measured pace may lie from the others'
	// before it explains a length by itself.
	manuscriptPace = 0.05
)

func againstManuscript() Check {
	return Check{
		Name: "manuscript",
		Doc: "The chapter is more than 8 % shorter or longer than its text should take at this narrator's own pace: the seconds for a " +
			"syllable in the title's other chapters that have a text (three at least), else in the narrator's earlier titles. Shorter, at the usual pace: words are missing. Longer: " +
			"something was read twice and left in, or the text given is not all of it. Where the pace itself is another, that is said. A sentence is too little to show, and what is under a minute both read and expected is not judged.",
		Read: func(t Title, chapter int) []pipeline.Finding {
			ch := t.Chapters[chapter]
			voice, ok := sameVoice(ch)
			if !ok || ch.Text == nil {
				return nil
			}
			usual, ok := syllableS(t, chapter, voice)
			if !ok {
				return nil
			}
			is, want := ch.SpokenS(), usual*float64(ch.Text.Syllables)
			if max(is, want) < familySpeechS {
				return nil // a recording that is short because words are missing is judged: its text is long
			}
			off := is/want - 1
			if math.Abs(off) <= manuscriptOff {
				return nil
			}
			kind, do := manuscriptKind(t, chapter, voice, off)
			return []pipeline.Finding{{
				Source: ch.Parts[0].Source, Path: ch.Parts[0].Path, Weight: pipeline.Listen,
				Measured: fmt.Sprintf("%s for %d words, %s are expected (%+.0f %%): %s", minutes(is), ch.Text.Words, minutes(want), 100*off, kind),
				Limit:    fmt.Sprintf("±%.0f %%", 100*manuscriptOff), Do: do,
				Value: dsp.Round2(100 * math.Abs(off)), LimitValue: 100 * manuscriptOff, Unit: "%",
			}}
		},
	}
}

// manuscriptKind is what a wrong length most likely is. Syllables that were
// heard go with the text where only the pace is another.
func manuscriptKind(t Title, chapter int, voice pipeline.Voice, off float64) (kind, do string) {
	var paces []float64
	for i, ch := range t.Chapters {
		if v, ok := oneVoice(ch); ok && i != chapter && v.Narrator == voice.Narrator {
			paces = append(paces, measured(ch.Parts[0].Likeness.Pace))
		}
	}
	middle, _, known := usualOf(paces, 0)
	faster := measured(t.Chapters[chapter].Parts[0].Likeness.Pace)/middle - 1
	words := int(math.Round(math.Abs(off) * float64(t.Chapters[chapter].Text.Words)))
	switch {
	case known && math.Abs(faster) > manuscriptPace && (faster > 0) == (off < 0):
		return fmt.Sprintf("the pace is %+.0f %%", 100*faster), "listen beside another chapter whether the pace is the story's"
	case off < 0:
		return fmt.Sprintf("about %d words seem to be missing", words), "compare with the page: look for a paragraph that was left out, and ask for a pickup"
	default:
		return fmt.Sprintf("about %d words seem to be too many", words), "listen for a passage that was read twice, or add what the text lacks"
	}
}

// syllableS is how long a narrator takes for a syllable of a text, pauses and
// all, by the title's other chapters or by earlier titles.
func syllableS(t Title, chapter int, voice pipeline.Voice) (s float64, ok bool) {
	var all []float64
	for i, ch := range t.Chapters {
		if v, ok := oneVoice(ch); ok && i != chapter && ch.Text != nil && v.Narrator == voice.Narrator {
			all = append(all, ch.SpokenS()/float64(ch.Text.Syllables))
		}
	}
	if len(all) >= manuscriptLeast {
		return median(all), true
	}
	past := t.History[voice.Narrator]
	for i := len(past) - 1; i >= 0; i-- {
		if s := past[i].Likeness.SyllableS; s > 0 {
			return s, true
		}
	}
	return 0, false
}

func minutes(s float64) string {
	return fmt.Sprintf("%d:%02d min", int(math.Round(s))/60, int(math.Round(s))%60)
}

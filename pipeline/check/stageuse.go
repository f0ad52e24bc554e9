package check

import (
	"fmt"
	"math"

	"chapterhouse/pipeline"
)

// stageUseDB is how far from its family's middle the most that a stage does
// may lie, whatever the spread: less is the text's.
const stageUseDB = 2.0

func stageUse() Check {
	return Check{
		Name: "stage-use",
		Doc: "A stage of the chain works otherwise here than in this narrator's other chapters: what it exceeds in 5 % of the time it works lies " +
			"more than 2 dB, and four times the spread of the others, from their middle. It takes five others. More than usual: a loud scene, or a session at another level. Less: " +
			"a stage that found nothing to hold on to.",
		Read: func(t Title, chapter int) (out []pipeline.Finding) {
			ch := t.Chapters[chapter]
			voice, ok := oneVoice(ch)
			if !ok || len(ch.Files) == 0 {
				return nil
			}
			for i, s := range ch.Files[0].Record.Stages { // stages are the same for every file of a chapter
				var others []float64
				for _, u := range usesBeside(t, chapter, voice, i, s.Stage) {
					others = append(others, float64(u.P95DB))
				}
				middle, off, ok := usualOf(others, stageUseDB)
				d := float64(s.P95DB) - middle
				if !ok || math.Abs(d) <= off {
					continue
				}
				f := pipeline.Finding{
					Source: ch.Parts[0].Source, Path: ch.Parts[0].Path,
					Measured: fmt.Sprintf("the %s turns down by %.1f dB, in other chapters by %.1f", s.Stage, -float64(s.P95DB), -middle),
					Limit:    fmt.Sprintf("±%.1f dB", off),
					Do:       fmt.Sprintf("listen to a loud place for the %s; the session may lie at another level than it was fitted to", s.Stage),
					Weight:   pipeline.Listen,
				}
				if d > 0 {
					f.Weight, f.Do = pipeline.Ready, fmt.Sprintf("nothing, unless the %s should be heard at work here", s.Stage)
				}
				out = append(out, f)
			}
			return out
		},
	}
}

// oneVoice is the voice of a chapter that one narrator speaks alone, in one
// setup, and at length.
func oneVoice(ch pipeline.ChapterOutcome) (v pipeline.Voice, ok bool) {
	speechS := 0.0
	for _, p := range ch.Parts {
		speechS += p.Profile.SpeechS
	}
	v, ok = sameVoice(ch)
	return v, ok && speechS >= familySpeechS
}

// sameVoice is the voice of a chapter that one narrator read through one chain, however short.
func sameVoice(ch pipeline.ChapterOutcome) (v pipeline.Voice, ok bool) {
	if ch.Role != pipeline.RoleChapter || len(ch.Parts) == 0 {
		return v, false
	}
	v = ch.Parts[0].Voice
	for _, p := range ch.Parts {
		if p.Voice.Narrator != v.Narrator || p.Voice.Setup != v.Setup || p.Voice.Chain != v.Chain {
			return v, false
		}
	}
	return v, true
}

// usesBeside are the uses of a voice's stage, the i-th of its chain, in the
// title's other chapters.
func usesBeside(t Title, chapter int, voice pipeline.Voice, i int, stage string) (out []pipeline.StageUse) {
	for j, ch := range t.Chapters {
		v, ok := oneVoice(ch)
		if j == chapter || !ok || len(ch.Files) == 0 || v.Narrator != voice.Narrator || v.Setup != voice.Setup || v.Chain != voice.Chain {
			continue
		}
		if uses := ch.Files[0].Record.Stages; i < len(uses) && uses[i].Stage == stage {
			out = append(out, uses[i])
		}
	}
	return out
}

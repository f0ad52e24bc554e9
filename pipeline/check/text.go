package check

import (
	"fmt"

	"chapterhouse/pipeline"
)

func textUnused() Check {
	return Check{
		Name: pipeline.TextCheck,
		Doc: "A chapter has a text and was not held against it, and why: no pace of its narrator is known yet, several narrators read it, or it " +
			"is too short to show; or the text could not be read. Nothing is said of the recording.",
		Read: func(t Title, chapter int) []pipeline.Finding {
			ch := t.Chapters[chapter]
			if ch.Text == nil || ch.Hole != "" || len(ch.Parts) == 0 {
				return nil
			}
			why, do := whyUnused(t, chapter)
			if why == "" {
				return nil
			}
			return []pipeline.Finding{{
				Source: ch.Parts[0].Source, Path: ch.Parts[0].Path, Weight: pipeline.Ready,
				Measured: "not held against " + ch.Text.File + ": " + why, Do: do,
			}}
		},
	}
}

// whyUnused is why the check manuscript says nothing of a chapter with a text.
func whyUnused(t Title, chapter int) (why, do string) {
	ch := t.Chapters[chapter]
	voice, one := sameVoice(ch)
	switch {
	case ch.Role != pipeline.RoleChapter:
		return "only chapters are, and this is the " + string(ch.Role), "nothing"
	case !one:
		return "several voices or chains read it, and each has its own pace", "nothing"
	}
	usual, known := syllableS(t, chapter, voice)
	switch {
	case !known:
		return fmt.Sprintf("no pace of this narrator's is known yet, for want of an earlier title or %d other chapters of a minute with a text", manuscriptLeast),
			"nothing; name the texts of other chapters in title.yaml to have it compared"
	case max(ch.SpokenS(), usual*float64(ch.Text.Syllables)) < familySpeechS:
		return "it is under a minute, too short to show anything", "nothing"
	}
	return "", ""
}

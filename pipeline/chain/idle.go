package chain

import (
	"fmt"

	"chapterhouse/pipeline"
)

// Idle says which stages do nothing with these facts, or less than was asked for,
// and why: what a session could not be measured for is said, not guessed.
func Idle(stages []pipeline.Resolved, f pipeline.Facts) []string {
	var lines []string
	for i, r := range stages {
		s, err := find(r)
		if err != nil || s.Idle == nil {
			continue
		}
		for _, line := range s.Idle(r.Params, f) {
			lines = append(lines, fmt.Sprintf("stage %d (%s) %s", i+1, r.Stage, line))
		}
	}
	return lines
}

const (
	noTone   = "does nothing: the session has no room tone to count from; record ten seconds of the quiet booth"
	noSpeech = "does nothing: the session has no speech to count from"
)

// idleWithoutTone is for stages that count from the room tone.
func idleWithoutTone[P any](_ P, f pipeline.Facts) []string {
	if hasTone(f) {
		return nil
	}
	return []string{noTone}
}

// idleWithoutSpeech is for stages that count from the speech.
func idleWithoutSpeech[P any](_ P, f pipeline.Facts) []string {
	if known(f.SpeechDBFS) {
		return nil
	}
	return []string{noSpeech}
}

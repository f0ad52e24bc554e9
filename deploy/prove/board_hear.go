package main

import (
	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/render"
	"chapterhouse/testdata/voices/plant"
)

// A hearing is what the pipeline makes of a reading before anything is done to it.
type hearing struct {
	profile pipeline.ProfileRecord
	found   []pipeline.Finding
	seconds float64
}

// hearBlock is how many frames are handed on at a time.
const hearBlock = 4096

// hearScene profiles a reading and sends checks to it, as a night does.
func hearScene(s plant.Scene, checks []check.Check) hearing {
	l := render.NewListener(s.RateHz)
	for at := 0; at < len(s.Mono); at += hearBlock {
		l.Write(s.Mono[at:min(len(s.Mono), at+hearBlock)])
	}
	rec, marks, _ := l.Result()
	rec.Cut.SourceRateHz, rec.Cut.RateHz = s.RateHz, s.RateHz
	rec.Cut.Span = pipeline.Span{To: dsp.Frames(len(s.Mono))}
	ears := check.NewEars(checks, check.PartOf(pipeline.CheckPart{
		Cut: rec.Cut, Speech: rec.Levels.Speech, Floor: rec.Floor, RoomTone: rec.RoomTone,
	}, marks))
	for at := 0; at < len(s.Mono); at += hearBlock {
		to := min(len(s.Mono), at+hearBlock)
		var sides [][]float64
		for _, side := range s.Sides {
			sides = append(sides, side[at:to])
		}
		ears.Hear(s.Mono[at:to], sides)
	}
	return hearing{profile: rec, found: ears.Heard(), seconds: dsp.Frames(len(s.Mono)).Seconds(s.RateHz)}
}

// chapter is the hearing as a close has it.
func (h hearing) chapter(number int, narrator string) pipeline.ChapterOutcome {
	source := pipeline.DigestOf([]byte{byte(number)})
	return pipeline.ChapterOutcome{
		Number: number, Role: pipeline.RoleChapter, Findings: h.found,
		Parts: []pipeline.PartOutcome{{
			Part:    pipeline.Part{Source: source, Span: h.profile.Cut.Span, Voice: pipeline.Voice{Narrator: narrator, Setup: "booth"}},
			SourceS: h.seconds, Profile: h.profile, Session: "one",
		}},
	}
}

package check

import (
	"fmt"
	"math"

	"chapterhouse/pipeline"
)

func fitGain() Check {
	return Check{
		Name: "fit-gain",
		Doc: "A session was recorded more than 12 dB away from the level its chain expects. The gain is made " +
			"up, noise included; next time, set the preamp.",
		Whole: func(t Title) []pipeline.Finding {
			var out []pipeline.Finding
			for _, s := range t.Sessions {
				if g := float64(s.Fit.GainDB); math.Abs(g) > pipeline.WideFitDB {
					out = append(out, pipeline.Finding{
						Measured: fmt.Sprintf("%+.1f dB for %s", g, SessionName(s)),
						Limit:    fmt.Sprintf("±%.0f dB", pipeline.WideFitDB),
						Do:       "set the preamp nearer to the chain's reference for the session after " + SessionName(s),
						Weight:   pipeline.Ready,
					})
				}
			}
			return out
		},
	}
}

func fitNotes() Check {
	return Check{
		Name: "session",
		Doc:  "How a session's gain was found where it was not simply measured, and which stages had nothing to count from.",
		Whole: func(t Title) []pipeline.Finding {
			var out []pipeline.Finding
			for _, s := range t.Sessions {
				for _, note := range s.Notes {
					out = append(out, pipeline.Finding{
						Measured: SessionName(s) + ": " + note,
						Do:       "nothing, unless " + SessionName(s) + " surprises the ear",
						Weight:   pipeline.Ready,
					})
				}
			}
			return out
		},
	}
}

// SessionName is a session as a person names it.
func SessionName(s pipeline.SessionOutcome) string {
	name := s.Session
	if s.Setup != "" {
		name = s.Setup + ", " + name
	}
	if s.Narrator != "" {
		name = s.Narrator + ", " + name
	}
	return name
}

func sides() Check {
	return Check{
		Name: "sides",
		Doc: "The recording has two channels; the finding says how they became one. Where they are two " +
			"microphones, the one with more distance between speech and floor was taken, or the one that did not fall silent, and an ear should confirm the choice.",
		Read: eachPart(func(p pipeline.PartOutcome) []pipeline.Finding {
			if p.Profile.FoldNote == "" {
				return nil
			}
			f := pipeline.Finding{Measured: p.Profile.FoldNote, Do: "nothing", Weight: pipeline.Ready}
			if p.Profile.Unsure {
				f.Weight, f.Do = pipeline.Listen, "listen whether the better microphone was taken; export the better one alone otherwise"
			}
			return []pipeline.Finding{f}
		}),
	}
}

func forcedTrim() Check {
	return Check{
		Name: "trim",
		Doc: "The spec's window forced a gain on this file beside its narrator's: the chapter no longer keeps " +
			"its full distance to the others.",
		Read: eachFile(func(s pipeline.Spec, f pipeline.FileOutcome) []pipeline.Finding {
			if f.TrimDB == 0 {
				return nil
			}
			return []pipeline.Finding{{
				Measured: fmt.Sprintf("%+.1f dB", float64(f.TrimDB)),
				Limit:    window(s.Sound.Level),
				Do:       "nothing; compressing the loud lines in the chain would keep more of the relation",
				Weight:   pipeline.Ready,
			}}
		}),
	}
}

// eachPart makes a Read of a function over one part, whose whole source the findings are about.
func eachPart(find func(pipeline.PartOutcome) []pipeline.Finding) func(Title, int) []pipeline.Finding {
	return func(t Title, chapter int) []pipeline.Finding {
		var out []pipeline.Finding
		for _, p := range t.Chapters[chapter].Parts {
			for _, f := range find(p) {
				f.Source, f.Path = p.Source, p.Path
				out = append(out, f)
			}
		}
		return out
	}
}

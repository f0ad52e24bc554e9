package check

import (
	"fmt"
	"math"

	"chapterhouse/pipeline"
)

// A session is held against another only where both have as many chapters as
// make a steady middle; single chapters are the family's business.
const (
	historySessionLeast = 3
	historyToneDB       = 3.0
	historySNRDB        = 6.0
	historyPace         = 0.20
)

func history() Check {
	return Check{
		Name: "history",
		Doc: "A session sounds unlike the same narrator and setup before: the title's other sessions, or the title before this one. Its tone by more than 3 dB in a third of an octave or 2.2 dB in an octave (90 to 6300 Hz, " +
			"beside the middle of its bands), its signal-to-noise ratio by more than 6 dB, its pace by more than 20 %, its room by more than 2 dB in how far the voice falls in 60 ms, on the middle of three chapters and more each. " +
			"A setup that is not as it was: mend it before more is recorded, or give it a setup and chain of its own.",
		Whole: func(t Title) (out []pipeline.Finding) {
			for i, s := range t.Sessions {
				mine := ofSession(t, s)
				if len(mine) < historySessionLeast {
					continue
				}
				was, who, ok := before(t, i)
				if !ok {
					continue
				}
				for _, said := range differences(pipeline.LikenessOf(mine), was) {
					out = append(out, pipeline.Finding{
						Measured: fmt.Sprintf("%s: %s since %s", SessionName(s), said.measured, who), Limit: said.limit,
						Do: said.do, Weight: said.weight,
					})
				}
			}
			return out
		},
	}
}

// ofSession are the likenesses of a session's steady parts.
func ofSession(t Title, s pipeline.SessionOutcome) (out []pipeline.Likeness) {
	for _, ch := range t.Chapters {
		if ch.Role != pipeline.RoleChapter {
			continue
		}
		for _, p := range ch.Parts {
			if p.Voice.Narrator == s.Narrator && p.Voice.Setup == s.Setup && p.Session == s.Session && steady(p) {
				out = append(out, p.Likeness)
			}
		}
	}
	return out
}

// before is what a session is held against: the nearest session of its narrator
// and setup that the title has before it, else the latest title of theirs.
func before(t Title, session int) (l pipeline.Likeness, who string, ok bool) {
	s := t.Sessions[session]
	if s.Narrator == "" {
		return l, "", false
	}
	for i := session - 1; i >= 0; i-- {
		if r := t.Sessions[i]; r.Narrator == s.Narrator && r.Setup == s.Setup {
			if all := ofSession(t, r); len(all) >= historySessionLeast {
				return pipeline.LikenessOf(all), "session " + r.Session, true
			}
		}
	}
	all := t.History[s.Narrator]
	for i := len(all) - 1; i >= 0; i-- {
		if p := all[i]; p.Setup == s.Setup && p.Chapters >= historySessionLeast {
			return p.Likeness, fmt.Sprintf("%s, session %s", p.Title, p.Session), true
		}
	}
	return l, "", false
}

type difference struct {
	measured, limit, do string
	weight              pipeline.Verdict
}

// differences are what two likenesses differ in by more than it takes.
func differences(is, was pipeline.Likeness) (out []difference) {
	if off, ok := toneOf(is.Spectrum, was.Spectrum).off(nil, historyToneDB); ok {
		out = append(out, difference{fmt.Sprintf("%.1f dB %s about %s", math.Abs(off.db), upOrDown(off.db), hertz(off.hz)), off.allowed(),
			"listen to both: was the microphone moved?", pipeline.Listen})
	}
	if d := measured(float64(is.SNR)) - measured(float64(was.SNR)); math.Abs(d) > historySNRDB {
		out = append(out, difference{fmt.Sprintf("the room is %.1f dB %s under the voice", math.Abs(d), map[bool]string{true: "further", false: "less"}[d > 0]), fmt.Sprintf("±%.0f dB", historySNRDB),
			"listen to the pauses: what was switched on or off, or how far is the microphone?", pipeline.Listen})
	}
	if d := measured(is.Pace)/measured(was.Pace) - 1; math.Abs(d) > historyPace {
		out = append(out, difference{fmt.Sprintf("%+.0f %% in pace", 100*d), fmt.Sprintf("±%.0f %%", 100*historyPace), "nothing, unless the text does not ask for it", pipeline.Ready})
	}
	if d := measured(float64(is.DirectDB)) - measured(float64(was.DirectDB)); math.Abs(d) > familyDirectDB {
		out = append(out, difference{fmt.Sprintf("%+.1f dB in how dry it is", d), fmt.Sprintf("±%.0f dB", familyDirectDB),
			"listen to both: was something taken out of the booth, or put into it?", pipeline.Listen})
	}
	return out
}

func upOrDown(d float64) string {
	if d < 0 {
		return "down"
	}
	return "up"
}

package split

import (
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

const (
	// leadInS is how much may stand before a recording's first cue point and
	// belong to what the point names.
	leadInS = 2
	// leastCueS is the shortest stretch between two cue points that is taken for
	// a chapter.
	leastCueS = 1
)

// Lone is the one file that a folder holds of a title whose chapters nobody
// listed: its cue points are the chapters. ok is false for any other title.
func Lone(title pipeline.Title) (book pipeline.TitleChapter, ok bool) {
	if !title.Found {
		return book, false
	}
	n := 0
	for _, c := range title.Chapters {
		if c.Role != pipeline.RoleExcerpt {
			book = c
			n++
		}
	}
	return book, n == 1
}

// WithExcerpts adds the excerpts among a title's listed chapters to those that
// were found, with numbers that follow them.
func WithExcerpts(found, listed []pipeline.TitleChapter) []pipeline.TitleChapter {
	last := 0
	for _, c := range found {
		last = max(last, c.Number)
	}
	for _, c := range listed {
		if c.Role == pipeline.RoleExcerpt {
			last = max(last+1, c.Number)
			c.Number = last
			found = append(found, c)
		}
	}
	return found
}

// FromCues makes chapters of one long recording, from cue point to cue point,
// named by their labels and numbered in the order of time. What stands before
// the first point is kept, as the opening. What was guessed is a finding.
func FromCues(one pipeline.TitleChapter, cues []pipeline.Cue, rateHz int, frames dsp.Frames) ([]pipeline.TitleChapter, []pipeline.Finding) {
	part := one.Parts[0]
	var findings []pipeline.Finding
	type stretch struct {
		from  dsp.Frames
		label string
	}
	var all []stretch
	for _, c := range cues {
		if n := len(all); n > 0 && (c.At-all[n-1].from).Seconds(rateHz) < leastCueS {
			findings = append(findings, guess(part.File, fmt.Sprintf("two cue points of %s lie %.2f s apart at %.1f s; the second, %q, was left out: remove the one that is wrong",
				part.File, (c.At-all[n-1].from).Seconds(rateHz), c.At.Seconds(rateHz), c.Label)))
			continue
		}
		all = append(all, stretch{c.At, c.Label})
	}
	if len(all) == 0 {
		return []pipeline.TitleChapter{one}, nil
	}
	if lead := all[0].from.Seconds(rateHz); lead > leadInS {
		all = append([]stretch{{0, "Opening"}}, all...)
		findings = append(findings, guess(part.File, fmt.Sprintf("%.0f s of %s stand before its first cue point and became the opening; set a cue point at the start with the right name, or remove them", lead, part.File)))
	}
	all[0].from = 0
	var chapters []pipeline.TitleChapter
	number, roles := 1, map[pipeline.Role]bool{}
	for i, s := range all {
		to := frames
		if i+1 < len(all) {
			to = all[i+1].from
		}
		r := readName(s.label + ".wav") // a label is written as a file is named
		if roles[r.role] && r.role != pipeline.RoleChapter {
			findings = append(findings, guess(part.File, fmt.Sprintf("a title has one %s, and the cue point at %.1f s would be a second; it became a chapter: rename it", r.role, s.from.Seconds(rateHz))))
			r.role = pipeline.RoleChapter
		}
		roles[r.role] = true
		c := pipeline.TitleChapter{Number: number, Name: r.name, Role: r.role, Parts: []pipeline.TitlePart{part}}
		c.Parts[0].FromS, c.Parts[0].ToS = s.from.Seconds(rateHz), to.Seconds(rateHz)
		switch r.role {
		case pipeline.RoleOpening:
			c.Number = 0
		case pipeline.RoleChapter:
			number++
		}
		if c.Name == "" {
			c.Name = fmt.Sprintf("Chapter %d", c.Number)
			if s.label == "" {
				findings = append(findings, guess(part.File, fmt.Sprintf("the cue point at %.1f s of %s has no label, so its chapter is called %q: give it a name", s.from.Seconds(rateHz), part.File, c.Name)))
			}
		}
		chapters = append(chapters, c)
	}
	for i := range chapters {
		if chapters[i].Role == pipeline.RoleClosing {
			chapters[i].Number = number
		}
	}
	return chapters, append(findings, Numbering(chapters)...)
}

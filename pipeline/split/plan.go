package split

import (
	"fmt"

	"chapterhouse/dsp"
	"chapterhouse/pipeline"
)

// slackS is how far to_s may lie beyond a source's end: editors show times
// rounded to a tenth of a second.
const slackS = 0.1

// Source tells of a file of the title what it is: digest, sample rate and
// length. ok is false where it can't be used.
type Source func(file string) (d pipeline.Digest, rateHz int, frames dsp.Frames, ok bool)

// Plan turns seconds into frames of each source. A chapter with a part that
// can't be taken from its source is left out, and each such part is a finding
// (return). The chain of a voice is the caller's to fill in.
func Plan(title pipeline.Title, source Source) ([]pipeline.Chapter, []pipeline.Finding) {
	var chapters []pipeline.Chapter
	var findings []pipeline.Finding
	for _, tc := range title.Chapters {
		c := pipeline.Chapter{Number: tc.Number, Name: tc.Name, Role: tc.Role, Text: tc.Text}
		whole := true
		for _, tp := range tc.Parts {
			part, finding := cut(tc, tp, source)
			if finding != nil {
				findings = append(findings, *finding)
				whole = false
				continue
			}
			if tc.Role != pipeline.RoleAsset {
				part.Voice = voice(title, tp)
			}
			c.Parts = append(c.Parts, part)
		}
		if whole && len(c.Parts) > 0 {
			chapters = append(chapters, c)
		}
	}
	return chapters, findings
}

// voice is the part's own, or the title's. A part with a narrator of its own
// doesn't take the title's setup.
func voice(title pipeline.Title, p pipeline.TitlePart) pipeline.Voice {
	v := pipeline.Voice{Narrator: p.Narrator, Setup: p.Setup, Session: p.Session}
	if v.Narrator == "" {
		v.Narrator = title.Narrator
	}
	if v.Setup == "" && v.Narrator == title.Narrator {
		v.Setup = title.Setup
	}
	return v
}

func cut(c pipeline.TitleChapter, p pipeline.TitlePart, source Source) (pipeline.Part, *pipeline.Finding) {
	digest, rateHz, frames, ok := source(p.File)
	if !ok || rateHz <= 0 {
		return pipeline.Part{}, &pipeline.Finding{Check: "source", Path: p.File, Weight: pipeline.Return,
			Do: fmt.Sprintf("%s can't be used, so chapter %d (%s) is missing; send it again as wav or flac", p.File, c.Number, c.Name)}
	}
	span := pipeline.Span{From: dsp.FramesIn(p.FromS, rateHz), To: frames}
	if p.ToS > 0 {
		span.To = dsp.FramesIn(p.ToS, rateHz)
	}
	part := pipeline.Part{Source: digest, Path: p.File, Span: span, Join: pipeline.Join{PauseS: p.PauseS}}
	if over := span.To - frames; over > 0 && over <= dsp.FramesIn(slackS, rateHz) {
		part.Span.To = frames
	}
	if part.Span.From >= 0 && part.Span.To <= frames && part.Span.Len() > 0 {
		return part, nil
	}
	length := frames.Seconds(rateHz)
	asked := fmt.Sprintf("all from %.2f s", p.FromS)
	if p.ToS > 0 {
		asked = fmt.Sprintf("%.2f to %.2f s", p.FromS, p.ToS)
	}
	return pipeline.Part{}, &pipeline.Finding{
		Check: "span", Source: digest, Path: p.File, StartS: p.FromS, EndS: p.ToS, Weight: pipeline.Return,
		Measured: asked, Limit: fmt.Sprintf("0.00 to %.2f s", length),
		Do: fmt.Sprintf("chapter %d (%s) asks for %s of %s, which is %.2f s long; correct from_s and to_s in title.yaml", c.Number, c.Name, asked, p.File, length),
	}
}

// WorkRate is the rate that a title is worked at: the one most of its sources
// have, the higher of two that as many have, brought to 44.1 kHz or more and,
// halved as often as needed, to 96 kHz or less.
func WorkRate(rates []int) int {
	count := map[int]int{}
	best := 0
	for _, r := range rates {
		count[r]++
		if count[r] > count[best] || count[r] == count[best] && r > best {
			best = r
		}
	}
	for best > 96000 {
		best /= 2
	}
	return max(best, 44100)
}

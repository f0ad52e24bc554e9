package pipeline

import "chapterhouse/dsp"

// A Body is where a part's recording stands in a file, seconds.
type Body struct {
	Source  Digest
	Path    string
	FileS   float64
	SourceS float64
	LengthS float64
}

// Bodies are a file's, in its order.
type Bodies []Body

// Bodies are where a chapter's recordings stand in the files of a spec, from
// what they were made by; none where that is not known, as of a hole.
func (c ChapterOutcome) Bodies(s Spec) (out Bodies) {
	at := s.Sound.Edges.HeadAimS
	if c.Role == RoleAsset {
		at = 0
	}
	for i, p := range c.Parts {
		cut := p.Profile.Cut
		if cut.RateHz == 0 || cut.SourceRateHz == 0 {
			return nil
		}
		whole := cut.Span.Len().Seconds(cut.SourceRateHz)
		from, to := cut.Speech.From.Seconds(cut.RateHz), cut.Speech.To.Seconds(cut.RateHz)
		if c.Role == RoleAsset {
			from, to = 0, whole
		}
		if i > 0 {
			at += p.Join.PauseS
			if p.Join.PauseS == 0 { // end to start: the recordings' own ends
				from = 0
			}
		}
		if i+1 < len(c.Parts) && c.Parts[i+1].Join.PauseS == 0 {
			to = whole
		}
		out = append(out, Body{
			Source: cut.Source, Path: p.Path, FileS: dsp.Round2(at), LengthS: dsp.Round2(to - from),
			SourceS: dsp.Round2(cut.Span.From.Seconds(cut.SourceRateHz) + from),
		})
		at += to - from
	}
	return out
}

// slackS is how far outside of a body a time may lie that was rounded.
const slackS = 0.015

// InFile is where a source's second stands in the file; ok is false for what
// was cut away.
func (b Bodies) InFile(source Digest, atS float64) (s float64, ok bool) {
	for _, one := range b {
		if d := atS - one.SourceS; one.Source == source && d >= -slackS && d <= one.LengthS+slackS {
			return dsp.Round2(one.FileS + d), true
		}
	}
	return 0, false
}

// InSource is what a second of the file is of: of a head, pause or tail, the
// recording that stands nearest. ok is false where there is none.
func (b Bodies) InSource(atS float64) (body Body, s float64, ok bool) {
	nearest := -1.0
	for _, one := range b {
		d := atS - one.FileS
		inside := max(0, min(d, one.LengthS))
		if off := max(inside-d, d-inside); nearest < 0 || off < nearest {
			nearest, body, s, ok = off, one, dsp.Round2(one.SourceS+inside), true
		}
	}
	return body, s, ok
}

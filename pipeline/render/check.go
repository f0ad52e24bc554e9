package render

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
)

// sentenceS is the shortest pause that a check's record has: where a sentence ends.
const sentenceS = 0.5

// check runs every listening check over the sources of a chapter, and finds the
// pauses where an excerpt may begin and end.
func (b *bench) check(r pipeline.CheckRecipe) (pipeline.CheckRecord, float64, error) {
	var rec pipeline.CheckRecord
	var audioS float64
	for i, p := range r.Parts {
		marks, err := b.marks(p.Cut)
		if err != nil {
			return rec, 0, err
		}
		rate := p.Cut.SourceRateHz
		part := check.PartOf(p, marks)
		ears := check.NewEars(check.Builtin(), part)
		pauses := meter.NewPauses(rate)
		x := make([]float64, readBlock)
		var done dsp.Frames
		err = b.channels(p.Cut.Source, p.Cut.Span, func(ch [][]float64) error {
			mono := x[:len(ch[0])]
			fold(mono, ch, p.Cut.Fold)
			ears.Hear(mono, ch)
			pauses.Write(mono)
			done += dsp.Frames(len(mono))
			b.progress((float64(i) + float64(done)/float64(p.Cut.Span.Len())) / float64(len(r.Parts)))
			return nil
		})
		if err != nil {
			return rec, 0, err
		}
		audioS += done.Seconds(rate)
		sentences := part.Unspoken(pauses.Result(), sentenceS)
		sentences = sentences[:min(len(sentences), maxPauses)]
		for i := range sentences {
			sentences[i].From += p.Cut.Span.From
			sentences[i].To += p.Cut.Span.From
		}
		rec.Pauses = append(rec.Pauses, sentences)
		from := p.Cut.Span.From.Seconds(rate)
		for _, f := range ears.Heard() {
			f.Source = p.Cut.Source // no path: what a job calls it is in no recipe
			f.StartS, f.EndS = dsp.Round2(from+f.StartS), dsp.Round2(from+f.EndS)
			rec.Findings = append(rec.Findings, f)
		}
		rec.Likeness = append(rec.Likeness, ears.Likeness())
	}
	return rec, audioS, nil
}

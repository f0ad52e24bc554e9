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
		rate, err := b.rateOf(p.Source)
		if err != nil {
			return rec, 0, err
		}
		var names []string
		var ears []check.Listener
		for _, c := range check.Builtin() {
			if c.Listen != nil {
				names, ears = append(names, c.Name), append(ears, c.Listen(rate))
			}
		}
		pauses := meter.NewPauses(rate)
		x := make([]float64, readBlock)
		var done dsp.Frames
		err = b.channels(p.Source, p.Span, func(ch [][]float64) error {
			fold(x[:len(ch[0])], ch, p.Fold)
			for _, ear := range ears {
				ear.Hear(x[:len(ch[0])])
			}
			pauses.Write(x[:len(ch[0])])
			done += dsp.Frames(len(ch[0]))
			b.progress((float64(i) + float64(done)/float64(p.Span.Len())) / float64(len(r.Parts)))
			return nil
		})
		if err != nil {
			return rec, 0, err
		}
		audioS += done.Seconds(rate)
		sentences := []pipeline.Span{}
		for _, w := range pauses.Result() {
			if (w.To-w.From).Seconds(rate) >= sentenceS && len(sentences) < maxPauses {
				sentences = append(sentences, pipeline.Span{From: p.Span.From + w.From, To: p.Span.From + w.To})
			}
		}
		rec.Pauses = append(rec.Pauses, sentences)
		for j, ear := range ears {
			for _, s := range ear.Heard() {
				rec.Findings = append(rec.Findings, pipeline.Finding{
					Check: names[j], Source: p.Source, // no path: what a job calls it is in no recipe
					StartS:   dsp.Round2((p.Span.From + s.From).Seconds(rate)),
					EndS:     dsp.Round2((p.Span.From + s.To).Seconds(rate)),
					Measured: s.Measured, Limit: s.Limit, Do: s.Do, Weight: s.Weight,
				})
			}
		}
	}
	return rec, audioS, nil
}

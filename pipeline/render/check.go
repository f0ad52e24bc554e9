package render

import (
	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
)

// check runs every listening check over the sources of a chapter.
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
		x := make([]float64, readBlock)
		var done dsp.Frames
		err = b.channels(p.Source, p.Span, func(ch [][]float64) error {
			fold(x[:len(ch[0])], ch, p.Fold)
			for _, ear := range ears {
				ear.Hear(x[:len(ch[0])])
			}
			done += dsp.Frames(len(ch[0]))
			b.progress((float64(i) + float64(done)/float64(p.Span.Len())) / float64(len(r.Parts)))
			return nil
		})
		if err != nil {
			return rec, 0, err
		}
		audioS += done.Seconds(rate)
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

package render

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// maxPauses bounds a survey's record: a pause of 0.3 s in every two of a day.
const maxPauses = 40000

// survey finds the pauses of a span. Of two channels the louder is heard.
func (b *bench) survey(r pipeline.SurveyRecipe) (rec pipeline.SurveyRecord, audioS float64, err error) {
	rate, err := b.rateOf(r.Source)
	if err != nil {
		return rec, 0, err
	}
	pauses := meter.NewPauses(rate)
	mono := make([]float64, readBlock)
	var done dsp.Frames
	err = b.channels(r.Source, r.Span, func(ch [][]float64) error {
		x := mono[:len(ch[0])]
		copy(x, ch[0])
		for _, other := range ch[1:] {
			for i, v := range other {
				if v*v > x[i]*x[i] {
					x[i] = v
				}
			}
		}
		pauses.Write(x)
		done += dsp.Frames(len(x))
		b.progress(float64(done) / float64(r.Span.Len()))
		return nil
	})
	if err != nil {
		return rec, 0, err
	}
	rec.Pauses = []pipeline.Span{}
	for _, w := range pauses.Result() {
		if len(rec.Pauses) < maxPauses {
			rec.Pauses = append(rec.Pauses, pipeline.Span{From: r.Span.From + w.From, To: r.Span.From + w.To})
		}
	}
	return rec, done.Seconds(rate), nil
}

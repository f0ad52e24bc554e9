package render

import (
	"cmp"
	"encoding/json"
	"math"
	"os"
	"slices"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// maxTone bounds how many stretches of room tone a cut carries: 20 of half a
// second make ten seconds, twice what edges ask for.
const maxTone = 20

// profile decodes a part once at the work rate and measures what the sound needs.
// What stages need of its course is left in a blob, its marks.
func (b *bench) profile(r pipeline.ProfileRecipe) (pipeline.ProfileRecord, []pipeline.Output, float64, error) {
	if r.Asset {
		rec, seconds, err := b.profileAsset(r)
		return rec, nil, seconds, err
	}
	rec, marks, seconds, err := b.listen(r)
	if err != nil {
		return rec, nil, 0, err
	}
	text, err := pipeline.Canonical(marks)
	if err != nil {
		return rec, nil, 0, pipeline.Errorf(pipeline.Bug, "marks", "%w", err)
	}
	out, err := b.keepBytes(pipeline.MarksRole, text)
	rec.Cut.Marks = out.Blob
	return rec, []pipeline.Output{out}, seconds, err
}

// marks reads the marks that a cut asks for; none for one that doesn't.
func (b *bench) marks(cut pipeline.Cut) (m pipeline.Marks, err error) {
	if cut.Marks == "" {
		return m, nil
	}
	text, err := os.ReadFile(InputPath(b.dir, cut.Marks))
	if err != nil {
		return m, pipeline.Errorf(pipeline.Infra, "marks", "%w", err)
	}
	if err := json.Unmarshal(text, &m); err != nil {
		return m, pipeline.Errorf(pipeline.Bug, "marks", "%w", err)
	}
	return m, nil
}

// listen makes a part's profile and its marks.
func (b *bench) listen(r pipeline.ProfileRecipe) (rec pipeline.ProfileRecord, marks pipeline.Marks, seconds float64, err error) {
	rate, err := b.rateOf(r.Source)
	if err != nil {
		return rec, marks, 0, err
	}
	f, note, unsure, err := b.chooseFold(r.Source, r.Span, rate)
	if err != nil {
		return rec, marks, 0, err
	}
	cut := pipeline.Cut{Source: r.Source, Span: r.Span, SourceRateHz: rate, RateHz: r.RateHz, Fold: f}
	l := NewListener(r.RateHz)
	if err := b.mono(cut, 0, 1, l.Write); err != nil {
		return rec, marks, 0, err
	}
	rec, marks, room := l.Result()
	switch {
	case math.IsInf(float64(rec.Levels.SamplePeak), -1):
		return rec, marks, 0, pipeline.Errorf(pipeline.Source, b.name(r.Source), "holds nothing but digital silence: is it the right file?")
	case room.SpeechS <= 0 || room.Bounds.From >= room.Bounds.To:
		return rec, marks, 0, pipeline.Errorf(pipeline.Source, b.name(r.Source), "holds no speech: is it the right file?")
	}
	cut.Speech, cut.Tone = rec.Cut.Speech, rec.Cut.Tone
	rec.Cut, rec.FoldNote, rec.Unsure = cut, note, unsure
	return rec, marks, rec.Levels.Frames.Seconds(r.RateHz), nil
}

// settledToneS is how long room tone has to go on before an expander's hold and
// release, as they are in practice, are over.
const settledToneS = 0.5

// pickTone takes at most maxTone windows, spread evenly over the part so that
// edges hold different tone, in time order. Those that follow settledToneS of
// room tone come first: in a short pause an expander is not closed yet. Where
// fewer than half as many do, the ones that follow most of it make them up.
func pickTone(windows []meter.Window, rateHz int) []pipeline.Span {
	since := make([]dsp.Frames, len(windows))
	for i := 1; i < len(windows); i++ {
		if windows[i].From <= windows[i-1].To+dsp.FramesIn(0.1, rateHz) {
			since[i] = since[i-1] + windows[i].From - windows[i-1].From
		}
	}
	order := make([]int, len(windows))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(since[j], since[i]) })
	settled := 0
	for settled < len(order) && since[order[settled]] >= dsp.FramesIn(settledToneS, rateHz) {
		settled++
	}
	order = order[:max(settled, min(maxTone/2, len(order)))]
	slices.Sort(order)
	n := min(len(order), maxTone)
	spans := make([]pipeline.Span, 0, n)
	for i := range n {
		w := windows[order[i*len(order)/n]]
		spans = append(spans, pipeline.Span{From: w.From, To: w.To})
	}
	return spans
}

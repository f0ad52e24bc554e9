package render

import (
	"math"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// maxTone bounds how many stretches of room tone a cut carries: 20 of half a
// second make ten seconds, twice what edges ask for.
const maxTone = 20

// profile decodes a part once at the work rate and measures what the sound needs.
func (b *bench) profile(r pipeline.ProfileRecipe) (pipeline.ProfileRecord, float64, error) {
	if r.Asset {
		return b.profileAsset(r)
	}
	var rec pipeline.ProfileRecord
	rate, err := b.rateOf(r.Source)
	if err != nil {
		return rec, 0, err
	}
	f, note, unsure, err := b.chooseFold(r.Source, r.Span, rate)
	if err != nil {
		return rec, 0, err
	}
	cut := pipeline.Cut{Source: r.Source, Span: r.Span, SourceRateHz: rate, RateHz: r.RateHz, Fold: f}
	m, room := meter.New(r.RateHz, 1), meter.NewRoom(r.RateHz)
	err = b.mono(cut, 0, 1, func(x []float64) {
		m.Write(x)
		room.Write(x)
	})
	if err != nil {
		return rec, 0, err
	}
	levels, heard := m.Levels(), room.Result()
	switch {
	case math.IsInf(float64(levels.SamplePeak), -1):
		return rec, 0, pipeline.Errorf(pipeline.Source, b.name(r.Source), "holds nothing but digital silence: is it the right file?")
	case heard.SpeechS <= 0 || heard.Bounds.From >= heard.Bounds.To:
		return rec, 0, pipeline.Errorf(pipeline.Source, b.name(r.Source), "holds no speech: is it the right file?")
	}
	cut.Speech = pipeline.Span{From: heard.Bounds.From, To: heard.Bounds.To}
	cut.Tone = pickTone(heard.Tone)
	rec = pipeline.ProfileRecord{
		Cut: cut, Levels: levels, SpeechS: dsp.Round2(heard.SpeechS), Floor: heard.Floor,
		FoldNote: note, Unsure: unsure,
	}
	if heard.Floor.Windows > 0 {
		rec.RoomTone = pipeline.Spectrum(heard.ToneSpectrum)
	}
	return rec, levels.Frames.Seconds(r.RateHz), nil
}

// pickTone takes at most maxTone windows, spread evenly over the part so that
// edges hold different tone, in time order.
func pickTone(windows []meter.Window) []pipeline.Span {
	n := min(len(windows), maxTone)
	spans := make([]pipeline.Span, 0, n)
	for i := range n {
		w := windows[i*len(windows)/n]
		spans = append(spans, pipeline.Span{From: w.From, To: w.To})
	}
	return spans
}

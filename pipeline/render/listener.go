package render

import (
	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
)

// A Listener measures a mono part at the work rate for its profile, in one pass.
type Listener struct {
	rateHz  int
	levels  *meter.Meter
	room    *meter.RoomMeter
	breaths *meter.BreathMeter
	mains   *meter.Mains
}

// NewListener makes a listener.
func NewListener(rateHz int) *Listener {
	return &Listener{rateHz: rateHz, levels: meter.New(rateHz, 1), room: meter.NewRoom(rateHz), breaths: meter.NewBreaths(rateHz), mains: meter.NewMains(rateHz)}
}

// Write takes the next frames of the part.
func (l *Listener) Write(x []float64) {
	l.levels.Write(x)
	l.room.Write(x)
	l.breaths.Write(x)
	l.mains.Write(x)
}

// Result ends the part: what a session's fit needs of it, what stages need of
// its course, and its room. Of the record's cut only what was heard is filled in.
func (l *Listener) Result() (pipeline.ProfileRecord, pipeline.Marks, meter.Room) {
	room := l.room.Result()
	rec := pipeline.ProfileRecord{Levels: l.levels.Levels(), SpeechS: dsp.Round2(room.SpeechS), Floor: room.Floor}
	rec.Cut.Speech = pipeline.Span{From: room.Bounds.From, To: room.Bounds.To}
	rec.Cut.Tone = pickTone(room.Tone, l.rateHz)
	if room.Floor.Windows > 0 {
		rec.RoomTone = pipeline.Spectrum(room.ToneSpectrum)
	}
	rec.QuietWords = pipeline.Spectrum(room.QuietWords)
	return rec, pipeline.Marks{Phrases: room.Phrases, Breaths: l.breaths.Result(rec.Levels.Speech), Mains: l.mains.Result()}, room
}

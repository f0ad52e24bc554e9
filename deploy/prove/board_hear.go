package main

import (
	"errors"
	"io"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/codec"
	"chapterhouse/pipeline/render"
	"chapterhouse/testdata/voices/plant"
)

// A hearing is what the pipeline makes of a reading before anything is done to it.
type hearing struct {
	profile  pipeline.ProfileRecord
	found    []pipeline.Finding
	likeness pipeline.Likeness
	pauses   []pipeline.Span
	rateHz   int
	frames   dsp.Frames
}

// hearBlock is how many frames are handed on at a time.
const hearBlock = 4096

// A playback is a recording that can be gone through more than once: folded, and every channel of
// two.
type playback struct {
	rateHz int
	frames dsp.Frames
	each   func(func(mono []float64, ch [][]float64)) error
}

// hear profiles a recording and sends checks to it, as a night does.
func hear(r playback, checks []check.Check) (hearing, error) {
	l, pauses := render.NewListener(r.rateHz), meter.NewPauses(r.rateHz)
	err := r.each(func(mono []float64, _ [][]float64) {
		l.Write(mono)
		pauses.Write(mono)
	})
	if err != nil {
		return hearing{}, err
	}
	rec, marks, _ := l.Result()
	rec.Cut.SourceRateHz, rec.Cut.RateHz = r.rateHz, r.rateHz
	rec.Cut.Span = pipeline.Span{To: r.frames}
	part := check.PartOf(pipeline.CheckPart{Cut: rec.Cut, Speech: rec.Levels.Speech, Floor: rec.Floor, RoomTone: rec.RoomTone}, marks)
	ears := check.NewEars(checks, part)
	if err := r.each(ears.Hear); err != nil {
		return hearing{}, err
	}
	return hearing{
		profile: rec, found: ears.Heard(), likeness: ears.Likeness(), pauses: part.Unspoken(pauses.Result(), sentenceS),
		rateHz: r.rateHz, frames: r.frames,
	}, nil
}

// seconds is how long it lasted.
func (h hearing) seconds() float64 { return h.frames.Seconds(h.rateHz) }

// sentenceS is the shortest pause that a check's record has.
const sentenceS = 0.5

// chapter is the hearing as a close has it.
func (h hearing) chapter(number int, narrator string) pipeline.ChapterOutcome {
	p := pipeline.PartOutcome{
		Part: pipeline.Part{
			Source: pipeline.DigestOf([]byte{byte(number), byte(number >> 8)}), Span: h.profile.Cut.Span,
			Voice: pipeline.Voice{Narrator: narrator, Setup: "booth"},
		},
		SourceS: h.seconds(), Profile: h.profile, Session: "one", Likeness: h.likeness,
	}
	p.Likeness.Pauses, p.Longest = pipeline.HabitOf(h.pauses, p.Spoken(), h.rateHz)
	return pipeline.ChapterOutcome{Number: number, Role: pipeline.RoleChapter, Findings: h.found, Parts: []pipeline.PartOutcome{p}}
}

// playScene is a scene as a playback.
func playScene(s plant.Scene) playback {
	return playback{rateHz: s.RateHz, frames: dsp.Frames(len(s.Mono)), each: func(to func([]float64, [][]float64)) error {
		for at := 0; at < len(s.Mono); at += hearBlock {
			end := min(len(s.Mono), at+hearBlock)
			var sides [][]float64
			for _, side := range s.Sides {
				sides = append(sides, side[at:end])
			}
			to(s.Mono[at:end], sides)
		}
		return nil
	}}
}

// playFile is a file as a playback; two channels are folded to their mean.
func playFile(path string) (playback, error) {
	src, err := codec.Open(path)
	if err != nil {
		return playback{}, err
	}
	defer src.Close()
	info := src.Info()
	return playback{rateHz: info.RateHz, frames: info.Frames, each: func(to func([]float64, [][]float64)) error {
		src, err := codec.Open(path)
		if err != nil {
			return err
		}
		defer src.Close()
		ch, mono := make([][]float64, info.Channels), make([]float64, hearBlock)
		for i := range ch {
			ch[i] = make([]float64, hearBlock)
		}
		view := make([][]float64, len(ch))
		for {
			n, err := src.Read(ch)
			if n > 0 {
				clear(mono)
				for i := range ch {
					view[i] = ch[i][:n]
					for k, v := range view[i] {
						mono[k] += v / float64(len(ch))
					}
				}
				to(mono[:n], view)
			}
			if errors.Is(err, io.EOF) {
				return nil
			}
			if err != nil {
				return err
			}
		}
	}}, nil
}

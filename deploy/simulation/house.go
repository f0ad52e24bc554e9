package simulation

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/dsp"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"
)

// book is a title and what clients want of it in the course of the night.
type book struct {
	slug    string
	chapter [][]recording // of each chapter's parts
	wishes  []wish
}

// wish is one thing that a client asks for until it is told that it is done.
type wish struct {
	at     time.Duration // 0: when a run of the title is about to stand
	cancel bool
	sub    pipeline.Submission
	order  coordinator.Order
}

// engines are what the workers of a night have between them.
func (w *world) engine(n int) pipeline.Engine {
	encoders := map[pipeline.Format]string{pipeline.FLAC: "own 1"}
	if n%w.shape.engines == 0 {
		encoders[pipeline.MP3] = "lame 3.100"
	}
	return pipeline.NewEngine(map[string]int{"highpass": 1}, encoders)
}

var slugs = []string{"eleven-tide-gates", "an-orchard-under-panes", "the-weigh-house"}

// books writes one to three titles of two to six chapters, and what is wanted of them.
func (w *world) books() []book {
	r := w.dice("books")
	if w.strike != nil {
		b := book{slug: slugs[0], chapter: [][]recording{{w.read(r, "1"), w.read(r, "1, second part")}, {w.read(r, "2")}}}
		b.wishes = []wish{{at: time.Second, sub: w.submission(b, 80)}}
		return []book{b}
	}
	var all []book
	for i := range 1 + r.IntN(3) {
		b := book{slug: slugs[i]}
		for n := range 2 + r.IntN(5) {
			parts := []recording{w.read(r, fmt.Sprintf("%s %d", b.slug, n+1))}
			if r.IntN(6) == 0 {
				parts = append(parts, w.read(r, fmt.Sprintf("%s %d, second part", b.slug, n+1)))
			}
			if i > 0 && n == 0 && r.IntN(4) == 0 {
				parts[0] = all[0].chapter[0][0] // two titles share a recording
			}
			b.chapter = append(b.chapter, parts)
		}
		if r.IntN(3) == 0 {
			ill := &b.chapter[r.IntN(len(b.chapter))][0]
			if ill.poison = []pipeline.Step{pipeline.StepIntake, pipeline.StepProfile, pipeline.StepWeigh, pipeline.StepFile, pipeline.StepCheck, ""}[r.IntN(6)]; ill.poison == "" {
				ill.fault = "it is cut off"
			}
		}
		w.wish(r, &b)
		all = append(all, b)
	}
	return all
}

func (w *world) read(r *rand.Rand, name string) recording {
	return recording{name: name, seconds: 30 + r.IntN(900), speech: dsp.DBFS(-20 - r.IntN(12)), booth: dsp.DBFS(-55 - r.IntN(15))}
}

// wish submits a title, and sometimes submits it again otherwise, moves it in
// the night's order, or takes it back.
func (w *world) wish(r *rand.Rand, b *book) {
	at := between(r, time.Second, min(2*time.Minute, w.shape.quiet/2))
	order := coordinator.Order{Class: []queue.Class{queue.Overnight, queue.Rush}[r.IntN(2)]}
	if r.IntN(2) == 0 {
		order.Due = w.began.Add(w.shape.clock).Add(between(r, -48*time.Hour, 48*time.Hour)).UTC()
	}
	cutoff := 80
	sub := func() pipeline.Submission { return w.submission(*b, cutoff) }
	s := sub()
	if w.shape.engines == 1 && r.IntN(2) == 0 {
		s.Engine = w.engine(0)
	}
	b.wishes = append(b.wishes, wish{at: at, sub: s, order: order})
	for range r.IntN(4) {
		at += between(r, 0, max(time.Second, (w.shape.quiet-at)/2))
		switch r.IntN(5) {
		case 0:
			b.wishes = append(b.wishes, wish{at: at, cancel: true})
		case 1: // another place in the order
			order.Class = []queue.Class{queue.Overnight, queue.Rush}[r.IntN(2)]
			b.wishes = append(b.wishes, wish{at: at, sub: s, order: order})
		case 2: // a chain tweak
			cutoff++
			s = sub()
			b.wishes = append(b.wishes, wish{at: at, sub: s, order: order})
		case 3: // a pickup
			n := r.IntN(len(b.chapter))
			b.chapter[n][0] = w.read(r, fmt.Sprintf("%s %d, take at %v", b.slug, n+1, at))
			s = sub()
			b.wishes = append(b.wishes, wish{at: at, sub: s, order: order})
		case 4: // the same again
			b.wishes = append(b.wishes, wish{at: at, sub: s, order: order})
		}
	}
	switch r.IntN(4) { // at the last moment
	case 0:
		b.wishes = append(b.wishes, wish{cancel: true})
	case 1:
		cutoff++
		b.wishes = append(b.wishes, wish{sub: sub(), order: order})
	}
}

// submission is a title as it is submitted; its sources go to the store.
func (w *world) submission(b book, cutoffHz int) pipeline.Submission {
	sub := pipeline.Submission{
		House:     "Demo House",
		Settings:  pipeline.Settings{House: "Demo House", Level: pipeline.LevelSettings{PoolMinS: 60}, Fit: pipeline.FitSettings{MinSpeechS: 60}},
		Title:     pipeline.Title{Slug: b.slug, Name: b.slug, Narrator: "ines", Setup: "booth"},
		Narrators: map[string]pipeline.Narrator{"ines": narrator("ines", cutoffHz), "tobias": narrator("tobias", 90)},
		Specs:     []pipeline.Spec{spec("lossless", -20, pipeline.FLAC), spec("retail", -19, pipeline.MP3)},
	}
	for i, parts := range b.chapter {
		ch := pipeline.TitleChapter{Number: i + 1, Name: fmt.Sprintf("Chapter %d", i+1), Role: pipeline.RoleChapter}
		for j, src := range parts {
			path := fmt.Sprintf("%02d-%d.flac", i+1, j+1)
			blob, text := src.blob(), src.bytes()
			if err := w.store.Put(context.Background(), blob, bytes.NewReader(text)); err != nil {
				w.judge.breach("%v", err)
			}
			ch.Parts = append(ch.Parts, pipeline.TitlePart{File: path, Narrator: []string{"ines", "tobias"}[(i+j)%2], Setup: "booth"})
			sub.Sources = append(sub.Sources, pipeline.SourceFile{Path: path, Blob: blob, Bytes: int64(len(text))})
		}
		sub.Title.Chapters = append(sub.Title.Chapters, ch)
	}
	return sub
}

func narrator(slug string, cutoffHz int) pipeline.Narrator {
	return pipeline.Narrator{Narrator: slug, Name: slug, Setups: map[string]pipeline.Setup{"booth": {Chain: &pipeline.Chain{
		Chain: slug + "-booth", Narrator: slug, Setup: "booth", SpeechDBFS: -22,
		Stages: []pipeline.Resolved{{Stage: "highpass", Rev: 1, Params: json.RawMessage(fmt.Sprintf(`{"cutoff_hz":%d,"slope_db_per_octave":12}`, cutoffHz))}},
	}}}}
}

func spec(name string, aim dsp.DBFS, format pipeline.Format) pipeline.Spec {
	s := pipeline.Spec{
		Spec: name, Source: "common practice",
		Sound: pipeline.Sound{
			Level: pipeline.Level{Measure: pipeline.MeasureRMSPlain, Window: [2]float64{-23, -18}, Aim: float64(aim)},
			Peak:  pipeline.Peak{MaxDBTP: -3},
			Edges: pipeline.Edges{HeadS: [2]float64{0.5, 1}, HeadAimS: 0.75, TailS: [2]float64{1, 5}, TailAimS: 3},
			Files: []pipeline.FileFormat{{Format: format, RateHz: rateHz, Channels: 1, Bits: 16}},
		},
		Limits:    pipeline.Limits{NoiseFloorDBFS: -60, MaxMinutes: 120},
		Packaging: pipeline.Packaging{Name: "{number} {chapter}"},
	}
	if format == pipeline.MP3 {
		s.Sound.Files[0].Bits, s.Sound.Files[0].Mode, s.Sound.Files[0].Kbps = 0, "cbr", 192
	}
	return s
}

// client asks for one thing until it is told that it is done. A client that is
// killed asks again in its next life, or has gone home.
func (w *world) client(b book, x wish) func(ctx context.Context, p *process) {
	return func(ctx context.Context, p *process) {
		s := storage{p}
		for ctx.Err() == nil {
			var run string
			var err error
			if x.cancel {
				if run, err = coordinator.Cancel(ctx, s, b.slug); errors.Is(err, store.ErrAbsent) {
					return // nobody had submitted it yet
				}
			} else {
				run, err = coordinator.Submit(ctx, s, x.sub, x.order)
			}
			if err == nil {
				w.note(p.id, "accepted", b.slug, fmt.Sprintf("run %q, cancel %v", run, x.cancel))
				w.judge.accepts(b.slug, run, x.cancel)
				return
			}
			_ = w.sleep(ctx, between(w.next(p.id+" asks again"), time.Second, 10*time.Second))
		}
	}
}

package coordinator

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"
)

// answer takes one ring, as a worker does; false when there is none.
func (w *world) answer() bool {
	ctx := context.Background()
	lease, err := w.queue.Lease(ctx, w.sub.Engine.ID(), 0)
	if errors.Is(err, queue.ErrEmpty) {
		return false
	}
	if err != nil {
		w.t.Error(err)
		return false
	}
	ring := lease.Ring()
	for _, key := range append([]pipeline.Digest{ring.Key}, ring.With...) {
		if w.there(commitName(key)) || w.there(quarantineName(key)) {
			continue
		}
		var r pipeline.Recipe
		if err := store.ReadJSON(ctx, w.store, recipeName(key), &r); err != nil || r.Key() != key {
			w.t.Errorf("rung for %s, which is not written down: %v", key.Short(), err)
			return true
		}
		w.mu.Lock()
		fail := w.fail
		w.mu.Unlock()
		if fail != nil {
			if f := fail(r); f != nil {
				w.note(key, ".json", struct{}{})
				if f.Kind != pipeline.Infra {
					w.note(key, ".err.json", *f)
				}
				if err := lease.Retry(ctx, w.again); err != nil {
					w.t.Error(err)
				}
				return true
			}
		}
		w.commit(r)
	}
	if err := lease.Done(ctx); err != nil && !errors.Is(err, queue.ErrLost) {
		w.t.Error(err)
	}
	return true
}

// failing makes the tries of a step over a path fail, at most so many times.
func (w *world) failing(step pipeline.Step, path string, kind pipeline.Kind, times int) {
	source, _ := w.of(path)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.fail = func(r pipeline.Recipe) *pipeline.Failure {
		if r.Step != step || !slices.Contains(r.Inputs(), source) || times == 0 {
			return nil
		}
		times--
		return &pipeline.Failure{Kind: kind, Text: "the child died: " + path}
	}
}

func (w *world) note(key pipeline.Digest, ending string, v any) {
	w.mu.Lock()
	n := fmt.Sprintf("%06d", time.Now().UnixNano()%1e6)
	w.mu.Unlock()
	for i := 0; ; i++ {
		name := fmt.Sprintf("attempts/%s/%s-%d%s", key, n, i, ending)
		if w.there(name) {
			continue
		}
		if err := store.CreateJSON(context.Background(), w.store, name, v); err != nil {
			w.t.Error(err)
		}
		return
	}
}

func (w *world) there(name string) bool {
	_, err := w.store.Stat(context.Background(), name)
	return err == nil
}

// commit makes a recipe's result up. It depends on the recipe alone.
func (w *world) commit(r pipeline.Recipe) {
	c := pipeline.Commit{Key: r.Key(), Step: r.Step, Cost: pipeline.Cost{CPUS: 0.5, AudioS: 10}}
	var record any
	switch r.Step {
	case pipeline.StepIntake:
		src := w.sources[r.Intake.Source]
		c.Fault = src.fault
		record = pipeline.IntakeRecord{Format: pipeline.FLAC, RateHz: 44100, Channels: 1, Bits: 24, Frames: src.seconds * second, Cues: src.cues, Sheet: src.sheet}
	case pipeline.StepSurvey:
		rec := pipeline.SurveyRecord{Pauses: []pipeline.Span{}}
		if !w.sources[r.Survey.Source].dense {
			rec.Pauses = pausesIn(r.Survey.Span)
		}
		record = rec
	case pipeline.StepProfile:
		c.Fault = w.sources[r.Profile.Source].mute
		record = w.profile(*r.Profile)
	case pipeline.StepWeigh:
		record = pipeline.WeighRecord{Levels: w.levels(r.Weigh.Cut, r.Weigh.FitDB)}
	case pipeline.StepFile:
		levels := w.levels(r.File.Parts[0].Cut, r.File.Parts[0].FitDB+r.File.Parts[0].GainDB+r.File.TrimDB)
		levels.TruePeak, levels.Integrated = -4, -20
		record = pipeline.FileRecord{Levels: levels, Floor: meter.Floor{Median: -70, WorstTenth: -69, MedianA: -75, Windows: 20}, HeadS: 0.75, TailS: 3, LengthS: levels.Frames.Seconds(44100), Encodes: 1}
		audio := "audio of " + string(c.Key)
		blob := pipeline.DigestOf([]byte(audio))
		if err := w.store.Put(context.Background(), blob, strings.NewReader(audio)); err != nil {
			w.t.Error(err)
		}
		c.Files = []pipeline.Output{{Role: "audio", Blob: blob, Bytes: int64(len(audio))}}
	case pipeline.StepCheck:
		rec := pipeline.CheckRecord{}
		for _, p := range r.Check.Parts {
			rec.Pauses = append(rec.Pauses, pausesIn(p.Cut.Span))
		}
		record = rec
	default:
		w.t.Errorf("rung for a step that no child does: %s", r.Step)
	}
	if c.Fault == "" {
		text, err := pipeline.Canonical(record)
		if err != nil {
			w.t.Error(err)
		}
		c.Record = text
	}
	if err := store.CreateJSON(context.Background(), w.store, commitName(c.Key), c); err != nil {
		w.t.Error(err)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.made = append(w.made, r)
}

// pausesIn is how all of them read: after 19 seconds they take breath for one.
func pausesIn(span pipeline.Span) []pipeline.Span {
	pauses := []pipeline.Span{}
	for at := span.From - span.From%(20*second) + 19*second; at+second <= span.To; at += 20 * second {
		if at >= span.From {
			pauses = append(pauses, pipeline.Span{From: at, To: at + second})
		}
	}
	return pauses
}

func (w *world) profile(r pipeline.ProfileRecipe) pipeline.ProfileRecord {
	src := w.sources[r.Source]
	tone := make(pipeline.Spectrum, 4)
	for i := range tone {
		tone[i] = src.booth
	}
	cut := pipeline.Cut{Source: r.Source, Span: r.Span, SourceRateHz: 44100, RateHz: r.RateHz, Fold: pipeline.FoldMono, Speech: pipeline.Span{From: second, To: r.Span.Len() - second}, Tone: []pipeline.Span{{From: 0, To: second / 2}}}
	return pipeline.ProfileRecord{
		Cut: cut, Levels: w.levels(cut, 0), SpeechS: float64(src.seconds) * 0.8,
		Floor: meter.Floor{Median: src.booth, WorstTenth: src.booth + 1, MedianA: src.booth - 5, Windows: 20}, RoomTone: tone,
	}
}

// levels is a recording with a gain.
func (w *world) levels(cut pipeline.Cut, gain dsp.DB) meter.Levels {
	src := w.sources[cut.Source]
	rms := float64(src.speech) + src.body + float64(gain)
	frames := cut.Span.Len()
	return meter.Levels{
		RMS: dsp.DBFS(dsp.Round2(rms)), SamplePeak: -6, TruePeak: -6, Integrated: dsp.LUFS(dsp.Round2(rms)), Speech: src.speech + dsp.DBFS(gain), Activity: 0.8,
		Frames: frames, SumSquares: math.Round(float64(frames) * math.Pow(10, rms/10)), GatedBlocks: int(frames / 4410),
	}
}

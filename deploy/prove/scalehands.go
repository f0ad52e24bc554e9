package main

import (
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"chapterhouse/dsp"
	"chapterhouse/dsp/meter"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue"
	"chapterhouse/pipeline/store"
)

// Hands do what a worker does to the store, the broker and who watches, call
// for call; only the audio is made up. So a night of many titles costs all
// that it costs beside the work on audio.
type hands struct {
	store  store.Store
	queue  queue.Queue
	events queue.Events
	engine pipeline.Engine
	slots  int // that take a ring each
	says   int // slots that are told of; what more than a few do at once only costs threads

	first, last atomic.Int64 // when a ring came first and last, Unix time in ns
	rings, made atomic.Int64 // rings seen through, results committed
	twice       atomic.Int64 // results that someone else had committed meanwhile
	idle        atomic.Int64 // ns that slots waited for a ring, since the first
	cpu         atomic.Int64 // ns of the slots' own threads
}

const (
	handsWait  = 500 * time.Millisecond // for a ring
	handsAlarm = 2 * time.Minute        // without any, while titles are left
)

// work answers rings until ctx ends; what can't be done ends it.
func (h *hands) work(ctx context.Context) error {
	h.last.Store(time.Now().UnixNano())
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var all sync.WaitGroup
	all.Go(func() {
		for ctx.Err() == nil {
			h.events.Say(queue.Event{Worker: "hands", Beat: &queue.Beat{Engine: h.engine, Slots: h.says}})
			every := 5 * time.Second
			if h.first.Load() == 0 {
				every = 20 * time.Millisecond // a coordinator that starts should hear of us before its first look is over
			}
			select {
			case <-ctx.Done():
			case <-time.After(every):
			}
		}
	})
	for range h.slots {
		all.Go(func() {
			defer ownThread(&h.cpu)()
			for ctx.Err() == nil {
				if err := h.turn(ctx); err != nil && ctx.Err() == nil {
					stop(err)
				}
			}
		})
	}
	all.Wait()
	if err := context.Cause(ctx); !errors.Is(err, context.Canceled) {
		return err
	}
	return nil
}

// began is how long after start the first ring came, and how long ago that is, seconds.
func (h *hands) began(start time.Time) (firstS, sinceS float64) {
	first := time.Unix(0, h.first.Load())
	return first.Sub(start).Seconds(), time.Since(first).Seconds()
}

// turn waits for a ring and sees it through.
func (h *hands) turn(ctx context.Context) error {
	began := time.Now()
	lease, err := h.queue.Lease(ctx, h.engine.ID(), handsWait)
	if h.first.Load() > 0 {
		h.idle.Add(int64(time.Since(began)))
	}
	if errors.Is(err, queue.ErrEmpty) {
		if last := time.Unix(0, h.last.Load()); time.Since(last) > handsAlarm {
			return fmt.Errorf("nobody has rung for %v", handsAlarm)
		}
		return nil
	}
	if err != nil {
		return err
	}
	h.last.Store(time.Now().UnixNano())
	h.first.CompareAndSwap(0, h.last.Load())
	ring := lease.Ring()
	// The ring's own key comes last: as long as it is missing, the coordinator
	// sends nobody else to the chapter.
	for _, key := range slices.Backward(append([]pipeline.Digest{ring.Key}, ring.With...)) {
		if err := h.answer(ctx, key); err != nil {
			return err
		}
	}
	h.rings.Add(1)
	if err := lease.Done(ctx); err != nil && !errors.Is(err, queue.ErrLost) {
		return err
	}
	return nil
}

// answer makes one result, unless it is there.
func (h *hands) answer(ctx context.Context, key pipeline.Digest) error {
	name := "commits/" + string(key) + ".json"
	for _, there := range []string{name, "quarantine/" + string(key) + ".json"} {
		if _, err := h.store.Stat(ctx, there); !errors.Is(err, store.ErrAbsent) {
			return err
		}
	}
	var r pipeline.Recipe
	if err := store.ReadJSON(ctx, h.store, "recipes/"+string(key)+".json", &r); err != nil {
		return err
	}
	// The child reads its sources; these are small.
	for _, blob := range r.Inputs() {
		if _, err := store.ReadObject(ctx, h.store, store.BlobName(blob)); err != nil {
			return err
		}
	}
	if err := store.CreateJSON(ctx, h.store, fmt.Sprintf("attempts/%s/%d.json", key, time.Now().UnixNano()), struct{}{}); err != nil {
		return err
	}
	c, err := made(r)
	if err != nil {
		return err
	}
	for _, f := range c.Files {
		if err := h.store.Put(ctx, f.Blob, strings.NewReader(audioOf(key))); err != nil {
			return err
		}
	}
	text, err := pipeline.Canonical(c)
	if err != nil {
		return err
	}
	switch _, err := h.store.Swap(ctx, name, store.Absent, text); {
	case errors.Is(err, store.ErrConflict):
		h.twice.Add(1)
	case err != nil:
		return err
	default:
		h.made.Add(1)
	}
	if err := store.ReadJSON(ctx, h.store, name, &c); err != nil {
		return err
	}
	h.events.Say(queue.Event{Key: key, Step: string(r.Step), Done: true, Worker: "hands"})
	return nil
}

const madeRateHz = 44100

// source is a recording that nobody made: its text, its length and how loud
// its voice is. All of that can be told from its digest.
func source(title, chapter int) string {
	return fmt.Sprintf("recording %d of title %d", chapter, title)
}

// length is 15 to 25 minutes.
func length(blob pipeline.Digest) dsp.Frames {
	return dsp.Frames(15*60+dice(blob)%600) * madeRateHz
}

// loudness is -26 to -22 dBFS.
func loudness(blob pipeline.Digest) dsp.DBFS { return dsp.DBFS(-26 + float64(dice(blob)%400)/100) }

func dice(blob pipeline.Digest) uint32 {
	b, _ := hex.DecodeString(string(blob[:8]))
	return binary.BigEndian.Uint32(b)
}

func audioOf(key pipeline.Digest) string { return "audio of " + string(key) }

// made makes a result up from its recipe alone. Records are as long as real
// ones: profiles have a spectrum, files their stages.
func made(r pipeline.Recipe) (pipeline.Commit, error) {
	c := pipeline.Commit{Key: r.Key(), Step: r.Step, Cost: pipeline.Cost{CPUS: 12.345, AudioS: 1200}}
	var record any
	switch r.Step {
	case pipeline.StepIntake:
		record = pipeline.IntakeRecord{Format: pipeline.FLAC, RateHz: madeRateHz, Channels: 1, Bits: 24, Frames: length(r.Intake.Source)}
	case pipeline.StepProfile:
		record = madeProfile(*r.Profile)
	case pipeline.StepWeigh:
		record = pipeline.WeighRecord{Levels: madeLevels(r.Weigh.Cut, r.Weigh.FitDB)}
	case pipeline.StepFile:
		p := r.File.Parts[0]
		levels := madeLevels(p.Cut, p.FitDB+p.GainDB+r.File.TrimDB)
		use := pipeline.StageUse{Stage: "deesser", Share: 0.123, MedianDB: -1.23, P95DB: -3.21, MaxDB: -6.54}
		record = pipeline.FileRecord{
			Levels: levels, Floor: madeFloor(-70), HeadS: 0.75, TailS: 3, LengthS: levels.Frames.Seconds(madeRateHz), Encodes: 1,
			Limiter: use, Stages: []pipeline.StageUse{use, use, use},
		}
		audio := audioOf(c.Key)
		c.Files = []pipeline.Output{{Role: "audio", Blob: pipeline.DigestOf([]byte(audio)), Bytes: int64(len(audio))}}
	case pipeline.StepCheck:
		record = pipeline.CheckRecord{}
	default:
		return c, fmt.Errorf("rung for a step that no child does: %s", r.Step)
	}
	var err error
	c.Record, err = pipeline.Canonical(record)
	return c, err
}

func madeProfile(r pipeline.ProfileRecipe) pipeline.ProfileRecord {
	tone := make(pipeline.Spectrum, 31) // thirds of an octave
	for i := range tone {
		tone[i] = -71.23 - dsp.DBFS(i)
	}
	cut := pipeline.Cut{
		Source: r.Source, Span: r.Span, SourceRateHz: madeRateHz, RateHz: r.RateHz, Fold: pipeline.FoldMono,
		Speech: pipeline.Span{From: madeRateHz, To: r.Span.Len() - madeRateHz},
	}
	for i := range dsp.Frames(8) {
		cut.Tone = append(cut.Tone, pipeline.Span{From: i * madeRateHz, To: i*madeRateHz + madeRateHz/2})
	}
	return pipeline.ProfileRecord{Cut: cut, Levels: madeLevels(cut, 0), SpeechS: 0.8 * r.Span.Len().Seconds(madeRateHz), Floor: madeFloor(-68), RoomTone: tone}
}

func madeFloor(at dsp.DBFS) meter.Floor {
	return meter.Floor{Median: at, WorstTenth: at + 1, MedianA: at - 5, Windows: 20}
}

func madeLevels(cut pipeline.Cut, gain dsp.DB) meter.Levels {
	at := dsp.Round2(float64(loudness(cut.Source)) + float64(gain))
	frames := cut.Span.Len()
	return meter.Levels{
		RMS: dsp.DBFS(at), SamplePeak: -6, TruePeak: -6, Integrated: dsp.LUFS(at), Speech: dsp.DBFS(at), Activity: 0.8,
		Frames: frames, SumSquares: math.Round(float64(frames) * math.Pow(10, at/10)), GatedBlocks: int(frames / 4410),
	}
}

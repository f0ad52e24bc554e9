package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"runtime"
	"runtime/metrics"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline"
	"chapterhouse/pipeline/chain"
	"chapterhouse/pipeline/check"
	"chapterhouse/pipeline/house"
	queuememory "chapterhouse/pipeline/queue/memory"
	"chapterhouse/pipeline/store"
	storememory "chapterhouse/pipeline/store/memory"
)

// books are titles of a house, all with so many chapters of one part; every
// chapter is delivered to two specs.
type books struct {
	house  *house.House
	first  int // number of the first
	titles int
	length int // chapters
}

// bookEngine is what hands say they have.
func bookEngine() pipeline.Engine {
	stages := map[string]int{}
	for _, s := range chain.Builtin() {
		stages[s.Name] = s.Rev
	}
	return pipeline.NewEngine(stages, map[pipeline.Format]string{pipeline.FLAC: "own 1", pipeline.MP3: "lame 3.100"})
}

func demoHouse(root string) (*house.House, error) {
	return house.Load(filepath.Join(root, "testdata", "house"))
}

// submit uploads the sources and submits the titles, all of one date.
func (b books) submit(ctx context.Context, s store.Store) error {
	const who, setup = "ines-marlow", "cupboard"
	for i := range b.titles {
		n := b.first + i
		sub := pipeline.Submission{
			House: b.house.Settings.House, Settings: b.house.Settings,
			Title:     pipeline.Title{Slug: fmt.Sprintf("title-%04d", n), Name: fmt.Sprintf("Title %d", n), Narrator: who, Setup: setup},
			Narrators: map[string]pipeline.Narrator{who: b.house.Narrators[who]},
			Specs:     []pipeline.Spec{b.house.Specs["lossless"], b.house.Specs["retail"]},
		}
		for c := 1; c <= b.length; c++ {
			text, path := source(n, c), fmt.Sprintf("%02d.wav", c)
			blob := pipeline.DigestOf([]byte(text))
			if err := s.Put(ctx, blob, strings.NewReader(text)); err != nil {
				return err
			}
			sub.Sources = append(sub.Sources, pipeline.SourceFile{Path: path, Blob: blob, Bytes: int64(len(text))})
			sub.Title.Chapters = append(sub.Title.Chapters, pipeline.TitleChapter{
				Number: c, Name: fmt.Sprintf("Chapter %d", c), Role: pipeline.RoleChapter,
				Parts: []pipeline.TitlePart{{File: path, Narrator: who, Setup: setup}},
			})
		}
		if _, err := coordinator.Submit(ctx, s, sub, coordinator.Order{}); err != nil {
			return err
		}
	}
	return nil
}

func (b books) chapters() int { return b.titles * b.length }

// per is a count for each chapter.
func (b books) per(n float64) float64 { return n / float64(b.chapters()) }

func sum(counts map[string]int) (n int) {
	for _, c := range counts {
		n += c
	}
	return n
}

// A ledger is what a night cost.
type ledger struct {
	books
	slots        int
	firstS       float64        // until the first ring came
	wallS        float64        // from then on
	threadS      float64        // processor: the coordinator's own thread
	allS         float64        // and the whole process but for the hands
	heap         float64        // bytes: the most that the coordinator held, beside the store
	storeHeap    float64        // bytes that the store held at the end
	rings, most  int            // that went out; at a time
	again        int            // rung once more while out
	made, twice  int64          // results
	idle         float64        // share of the slots' time that they waited for a ring
	calls        map[string]int // of the coordinator's, by method
	handCalls    int            // of all hands
	objects      map[string]int
	stood, whole int // titles, chapters without a hole
}

// inMemory serves titles with a store and a queue that cost little. scan is
// the coordinator's; 0: as the program has it.
func inMemory(ctx context.Context, b books, slots int, scan time.Duration) (ledger, error) {
	l := ledger{books: b, slots: slots}
	s := storememory.New()
	runtime.GC()
	base := liveHeap()
	var kept atomic.Int64
	if err := b.submit(ctx, &countedStore{Store: s, kept: &kept}); err != nil {
		return l, err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var left atomic.Int64
	left.Store(int64(b.titles))
	all := make(chan struct{})
	seen := &countedStore{Store: s, kept: &kept, stood: func() {
		if left.Add(-1) == 0 {
			close(all)
		}
	}}
	q, events := &countedQueue{Queue: queuememory.New(queuememory.Options{})}, &queuememory.Events{}
	mine := &countedStore{Store: s, kept: &kept}
	h := &hands{store: mine, queue: q, events: events, engine: bookEngine(), slots: min(slots, runtime.NumCPU()), says: slots}
	co := &coordinator.Coordinator{Store: seen, Queue: q, Events: events, Engine: h.engine, Slots: slots, Scan: scan, Checks: check.Builtin(), Log: zap.NewNop()}

	began, before := time.Now(), processorOf(0)
	var parts sync.WaitGroup
	var thread atomic.Int64
	errs := make([]error, 2)
	end := func(i int, err error) {
		errs[i] = err
		stop()
	}
	parts.Go(func() {
		defer ownThread(&thread)()
		end(0, co.Run(ctx))
	})
	parts.Go(func() { end(1, h.work(ctx)) })
	peak := watchHeap(ctx, &kept)
	select {
	case <-all:
	case <-ctx.Done():
	}
	l.firstS, l.wallS = h.began(began)
	stop()
	parts.Wait()
	held := <-peak
	l.threadS = time.Duration(thread.Load()).Seconds()
	l.allS = (processorOf(0) - before - time.Duration(h.cpu.Load())).Seconds()
	co = nil // what it knows goes with it
	runtime.GC()
	l.storeHeap = liveHeap() - base
	l.heap = held.beside(base, l.storeHeap/float64(kept.Load()))
	l.rings, l.most, l.again = q.rings, q.most, q.again
	l.made, l.twice = h.made.Load(), h.twice.Load()
	l.idle = time.Duration(h.idle.Load()).Seconds() / (l.wallS * float64(h.slots))
	l.calls, l.handCalls = seen.counts(), sum(mine.counts())
	if err := errors.Join(errs...); err != nil || left.Load() > 0 {
		return l, errors.Join(err, fmt.Errorf("%d titles are left", left.Load()))
	}
	return l, l.look(context.WithoutCancel(ctx), s)
}

// look counts what a night has left, and whether it is all there.
func (l *ledger) look(ctx context.Context, s store.Store) error {
	l.objects = map[string]int{}
	err := s.List(ctx, "", func(i store.Info) error {
		kind, _, _ := strings.Cut(i.Name, "/")
		l.objects[kind]++
		return nil
	})
	if err != nil {
		return err
	}
	for i := range l.titles {
		state, o, err := coordinator.Standing(ctx, s, fmt.Sprintf("title-%04d", l.first+i))
		if err != nil {
			return err
		}
		if state.Wanted == state.Standing {
			l.stood++
		}
		for _, ch := range o.Chapters {
			if ch.Hole == "" && len(ch.Files) == len(o.Specs) {
				l.whole++
			}
		}
	}
	return nil
}

// heaps are moments at which the collector had just counted what lives.
type heaps struct{ live, stored []float64 }

// beside is the most that lived beside base and a store that takes so many
// bytes of memory for each that it holds.
func (h heaps) beside(base, perByte float64) float64 {
	most := 0.0
	for i := range h.live {
		most = max(most, h.live[i]-base-h.stored[i]*perByte)
	}
	return most
}

// watchHeap looks after each collection until ctx ends.
func watchHeap(ctx context.Context, kept *atomic.Int64) <-chan heaps {
	out := make(chan heaps, 1)
	go func() {
		var h heaps
		last := uint64(0)
		for tick := time.NewTicker(50 * time.Millisecond); ctx.Err() == nil; {
			if now := collections(); now != last {
				last = now
				h.live, h.stored = append(h.live, liveHeap()), append(h.stored, float64(kept.Load()))
			}
			select {
			case <-ctx.Done():
				tick.Stop()
			case <-tick.C:
			}
		}
		out <- h
	}()
	return out
}

// liveHeap is the bytes that lived at the latest collection.
func liveHeap() float64 { return float64(metric("/gc/heap/live:bytes")) }

func collections() uint64 { return metric("/gc/cycles/total:gc-cycles") }

func metric(name string) uint64 {
	m := []metrics.Sample{{Name: name}}
	metrics.Read(m)
	return m[0].Value.Uint64()
}

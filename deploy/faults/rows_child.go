package faults

import (
	"context"
	"fmt"
	"time"

	"chapterhouse/pipeline"
)

// stuckS is how long a child may say nothing.
const stuckS = 2

// strikes is how many failed tries end in a quarantine.
const strikes = 3

// badChapter is the chapter of the title that fails.
const badChapter = 2

func rowsChild() []Row {
	return []Row{
		{N: 5, Fault: "a chapter's processing hangs", do: failingChild("hang", "no progress")},
		{N: 6, Fault: "a chapter's processing panics", do: failingChild("panic", "index out of range")},
		{N: 7, Fault: "a chapter's processing eats all memory; a header claims 4 GiB", do: eatsMemory},
	}
}

// failingChild has the child of one chapter fail in one way.
func failingChild(way, reason string) func(context.Context, *round) error {
	return func(ctx context.Context, r *round) error {
		_, err := r.failingNight(ctx, way, reason)
		return err
	}
}

// failingNight is a night in which one chapter fails until it is given up.
func (r *round) failingNight(ctx context.Context, way, reason string) (*night, error) {
	// Which chapter fails is known by its recording, and so before the night.
	h, err := r.kit.house("one", 4, shortS, r.seed)
	if err != nil {
		return nil, err
	}
	n, err := r.night(ctx, shape{variant: "failing", env: []string{
		fmt.Sprintf("FAILING=%s:%s:%s", way, r.step(), h.Blobs[badChapter-1]),
		fmt.Sprintf("CHAPTERHOUSE_STUCK_S=%d", stuckS),
	}})
	if err != nil {
		return nil, err
	}
	if err := n.submit(ctx); err != nil {
		return n, err
	}
	if err := n.finish(ctx); err != nil {
		return n, err
	}
	failed, err := n.Bucket.Failed()
	if err != nil {
		return n, err
	}
	tries := 0
	if len(failed) > 0 {
		if tries, err = n.triesOf(failed[0].Key); err != nil {
			return n, err
		}
	}
	r.count("tries before it is given up", tries, strikes)
	if way == "hang" {
		n.endedAfter(failed)
	}
	return n, n.verify(ctx, expect{holes: map[int]string{badChapter: reason}, strikes: strikes, tries: -1, sameGains: r.step() == pipeline.StepFile})
}

// endedAfter holds how long tries that hang are let alone: a worker looks at
// its child as often as it extends the lease.
func (n *night) endedAfter(failed []Failed) {
	for _, f := range failed {
		var begun time.Time
		end := n.written(f.Name)
		for _, w := range n.workers {
			for _, c := range w.begun(begun) {
				if keyOf(c.Name) == f.Key && c.At.Before(end) {
					begun = c.At
				}
			}
		}
		n.round.atMost("a hung try is ended after", end.Sub(begun).Seconds(), stuckS+lease.Seconds(), "%.1f s")
	}
}

// workerMiB is what a worker may hold whatever its children do: it holds no audio.
const workerMiB = 128

func eatsMemory(ctx context.Context, r *round) error {
	n, err := r.failingNight(ctx, "eat", "memory")
	if err != nil {
		return err
	}
	if err := n.peaks(); err != nil {
		return err
	}
	// The header needs no help from the program.
	forged, err := r.night(ctx, shape{})
	if err != nil {
		return err
	}
	if err := forged.house.Forge(badChapter - 1); err != nil {
		return err
	}
	if err := forged.submit(ctx); err != nil {
		return err
	}
	if err := forged.finish(ctx); err != nil {
		return err
	}
	if err := forged.peaks(); err != nil {
		return err
	}
	return forged.verify(ctx, expect{holes: map[int]string{badChapter: ""}, tries: -1})
}

// peaks holds how large workers grew.
func (n *night) peaks() error {
	for _, w := range n.workers {
		mib, err := w.PeakMiB()
		if err != nil {
			return err
		}
		n.round.atMost("a worker's memory at its largest", mib, workerMiB, "%.0f MiB")
	}
	return nil
}
